"""Real records with figures that somebody else stated; only where a folder of them is at hand.

Set AMPHORA_MEASURED to the folder; without it there is nothing here to collect. Sources: Li-ion
battery aging data (B. Saha, K. Goebel, NASA Ames PCoE, 2007); ESC toolbox data (G. Plett, Univ. of
Colorado); 18650PF data (P. Kollmeyer, Univ. of Wisconsin-Madison, 2018, doi 10.17632/wykht8y7tg.1);
Nissan Leaf cell data (G. Wiggins, S. Allu, H. Wang, ORNL, doi 10.5281/zenodo.2580327).
"""

import os
from pathlib import Path

import pytest

from amphora.harness.account.answer import analyse_run
from amphora.harness.common.errors import InputError
from amphora.harness.importing.columns import parse_map
from amphora.harness.importing.import_run import import_table

_NAMED = os.environ.get("AMPHORA_MEASURED")
MEASURED = Path(_NAMED) if _NAMED else None

if MEASURED is not None and MEASURED.is_dir():

    def figures_of(tmp_path, name, cutoff=None, mapping=""):
        run = import_table(
            MEASURED / f"{name}.csv.gz", "measured", parse_map(mapping), cutoff=cutoff, start="full", logs=tmp_path
        )
        return analyse_run(run)

    @pytest.mark.parametrize(
        ("name", "cutoff", "key", "stated_Ah"),
        [
            # crossing interpolated where the laboratory counted to whole rows: within 0.05 % of its figure
            ("nasa-B0006-discharge-24C", 2.7, "capacity_Ah", 1.451629),
            ("lfp-C30-discharge", 2.0, "capacity_Ah", 2.060186),
            ("nca-1C-discharge", 2.5, "capacity_Ah", 2.798180),
            ("nca-cccv-charge", None, "charge_Ah", 2.401500),
            ("nasa-B0018-charge", None, "charge_Ah", 1.8702),
            ("lmo-pulse-test", 3.0, "charge_Ah", 30.18),
        ],
    )
    def test_stated_figure_within_half_a_thousandth(tmp_path, name, cutoff, key, stated_Ah):
        assert figures_of(tmp_path, name, cutoff)[key] == pytest.approx(stated_Ah, rel=5e-4)

    @pytest.mark.parametrize(
        ("name", "stated_Ah"), [("nasa-B0006-discharge-24C", 1.451629), ("nasa-B0048-discharge-4C", 1.223127)]
    )
    def test_counting_to_whole_rows_gives_the_laboratory_figure(tmp_path, name, stated_Ah):
        result = figures_of(tmp_path, name, 2.7)
        assert result.phases[-1].capacity_whole_rows_Ah == pytest.approx(stated_Ah, rel=5e-5)
        assert result.capacity_whole_rows_Ah == pytest.approx(stated_Ah, rel=5e-5)
        # the interpolated figure differs by less than a reading, and its U covers that
        assert abs(result.capacity_Ah - stated_Ah) < result.capacity_U_Ah

    def test_junk_is_refused_in_one_sentence_and_nothing_is_written(tmp_path):
        with pytest.raises(InputError) as caught:
            figures_of(tmp_path, "nasa-B0005-junk-record")
        assert "nasa-B0005-junk-record" in str(caught.value)
        assert "\n" not in str(caught.value)
        assert not any(tmp_path.iterdir())

    def test_pulse_resistance_of_the_pouch_cell_is_in_the_listed_range(tmp_path):
        # Listed: 1.5 to 1.8 mohm at 0.5 s, 2.5 to 4.0 mohm at 30 s; 0.3 mohm of room.
        result = figures_of(tmp_path, "lmo-pulse-test", 3.0)
        steps = [item for item in result.resistances if item.current_A == pytest.approx(-30.0, abs=0.5)]
        quick = [item.ohm for item in steps if item.method == "load step" and item.duration_s <= 0.5]
        slow = [item.ohm for item in steps if item.method == "load step" and item.duration_s >= 29]
        assert len(quick) >= 9 and len(slow) >= 9
        assert all(0.0012 <= ohm <= 0.0021 for ohm in quick)
        assert all(0.0022 <= ohm <= 0.0043 for ohm in slow)

    def test_slow_resistance_and_the_knee_of_a_duty_s_cell_are_those_of_a_measured_pouch_cell(tmp_path):
        # The LMO record: each tenth 30 A for 30 s from rest, then 10 A for 18 min and an hour of rest.
        import numpy as np

        from amphora.harness.analysis.cell_model import KNEE, SLOW_SPREAD_U
        from amphora.harness.archive.loading import load

        mapping = parse_map("")
        run = import_table(MEASURED / "lmo-pulse-test.csv.gz", "m", mapping, cutoff=3.0, start="full", logs=tmp_path)
        record, _ = load(run)
        t, v, i = record.t_s, record.voltage_V, record.current_A
        edges = np.flatnonzero(np.abs(np.diff(i)) > 5.0)
        pulses, slow = [], []
        for k, later in zip(edges, [*edges[1:], i.size - 1], strict=True):
            if abs(i[k]) < 0.1 and abs(i[k + 1] + 30.0) < 0.5:  # from rest into 30 A
                pulses.append((v[k] - v[later]) / 30.0)
            if abs(i[k] + 10.0) < 0.5 and abs(i[k + 1]) < 0.1 and t[later] - t[k] > 3000:  # 10 A off, an hour
                slow.append((v[later] - v[k + 1]) / 10.0)
        assert len(pulses) == 10 and len(slow) == 9
        assert np.abs(np.array(slow) / np.mean(slow) - 1) == pytest.approx(np.zeros(9), abs=SLOW_SPREAD_U)
        shares = 1 - np.arange(10) * 0.1  # a little above a tenth each: the last lies below the knee
        above = np.array(pulses)[shares > KNEE]
        assert above.max() < 1.4 * above.min() and pulses[-1] > 1.4 * np.median(above)

    def charge_seen(path):
        """Return the voltage at rest before a charge and what it put in, Ah."""
        import csv
        import gzip

        import numpy as np

        with gzip.open(path, "rt") as file:
            rows = csv.reader(file)
            names = [name.lower() for name in next(rows)]
            table = np.array([[float(item or "nan") for item in row] for row in rows])
        t, v, i = (table[:, next(k for k, n in enumerate(names) if n.startswith(w))] for w in ("time", "volt", "curr"))
        assert abs(i[0]) < 0.01  # the first reading is one at rest
        return float(v[0]), float(np.sum(np.clip((i[1:] + i[:-1]) / 2, 0.0, None) * np.diff(t)) / 3600.0)

    def test_what_went_in_bounds_what_a_measured_cell_gives():
        # Counts, no rate: eight charges of four aged cells of a 2 Ah class, nine of one sound cell of 2.9 Ah. Capacity:
        # what the publisher states of the next discharge; of the sound cell that of its 1C discharge, 2.798 Ah.
        import csv

        from amphora.harness.decisions.screening import Case, screen

        with (MEASURED / "repeats" / "stated.csv").open() as file:
            stated = {row["record"]: float(row["stated_Ah"]) for row in csv.DictReader(file)}
        seen = []
        for path in sorted((MEASURED / "repeats").glob("*-charge.csv.gz")):
            cell, number = path.name.split("-")[:2]
            gave_Ah = stated[min(name for name in stated if name.startswith(cell) and name > f"{cell}-{number}")]
            seen.append((*charge_seen(path), gave_Ah))
        sound = [charge_seen(path) for path in sorted((MEASURED / "rests").glob("nca-*_charge[0-9].csv.gz"))]
        seen += [(volts, ah, 2.798) for volts, ah in sound if volts < 4.0]
        assert len(seen) == 17
        answers = []
        for volts, went_in_Ah, gave_Ah in seen:
            case = Case("c", None, True, went_in_Ah, volts)
            said = screen(case, [], "li-ion", 0.95 * gave_Ah)
            assert said.answer == "cannot tell" and said.most_Ah > 1.1 * gave_Ah  # none that is good is lost
            answers.append(screen(case, [], "li-ion", 2.0).answer if gave_Ah < 1.8 else "")
        # 2 Ah asked of the aged ones: only the two charges from 3.18 V, which put in 1.4 Ah, say that it is not there
        assert answers.count("not worth a night") == 2 and answers.count("cannot tell") == 6

    def test_measured_first_load_steps_predict_what_cells_hold_only_roughly():
        # Counts, no rate, and they are modest: 48 discharges of four aged cells of a 2 Ah class (the same records). The
        # first load of a discharge is its only load step, so the recovery after a step is not there.
        import csv
        import gzip
        from dataclasses import replace

        import numpy as np

        from amphora.harness.analysis.early_signs import Signs
        from amphora.harness.decisions.screening import Case, screen

        with (MEASURED / "repeats" / "stated.csv").open() as file:
            stated = {row["record"]: float(row["stated_Ah"]) for row in csv.DictReader(file)}
        cases = []
        for path in sorted((MEASURED / "repeats").glob("*-discharge.csv.gz")):
            with gzip.open(path, "rt") as file:
                table = [[float(item or "nan") for item in row[:4]] for row in list(csv.reader(file))[1:]]
            t_s, volts, amps, degC = np.array(table).T
            first = int(np.flatnonzero(amps < -0.5)[0])
            level_A = float(np.median(-amps[amps < -0.5]))
            since_s = t_s - t_s[first]
            at_10_s = first + int(np.argmin(abs(since_s[first:] - 10.0)))
            ten_minutes = (since_s >= 60.0) & (since_s <= 605.0)
            slope = float(-np.polyfit(since_s[ten_minutes] * level_A / 3600.0, volts[ten_minutes], 1)[0])
            ohm = float((volts[first - 1] - volts[at_10_s]) / level_A)
            signs = Signs(float(volts[first - 1]), ohm, ohm, ohm, ohm, slope, level_A, float(degC[first]), 0.3)
            record = path.name.removesuffix("-discharge.csv.gz")
            cases.append((record.split("-")[0], Case(record, signs, True, capacity_Ah=stated[record])))
        assert len(cases) == 48
        counted = {}
        for known in ("other cells", "earlier tests too"):
            said = []
            for cell, case in cases:
                like = [one for other, one in cases if other != cell or known == "earlier tests too"]
                found = screen(replace(case, capacity_Ah=None), like, "li-ion", 0.75)
                said.append((found.answer, found.low_Ah and found.low_Ah <= case.capacity_Ah <= found.high_Ah))
            counted[known] = tuple(sum(one[1] is value for one in said) for value in (True, False, None))
            assert "not worth a night" not in [answer for answer, _ in said]  # all hold more: none is lost
        # inside the interval, outside of it, none given ("its resistance lies outside what the like cells showed")
        assert counted == {"other cells": (14, 10, 24), "earlier tests too": (46, 2, 0)}
