"""Nights with faults, any number of them: `python -m tests.campaign --nights 1000 --workers 2`.

Prints counts by fault, each broken promise with its seed, and the 95 % upper bound on the rate of
broken promises (Clopper-Pearson, exact; about 3/N where there was none in N).

With `--out FILE` each night is a line of JSON there as soon as it is over, and the summary is the
last line. The same command again goes on where it was: nights that stand there are not repeated,
unless the program has changed since (each line carries a fingerprint of the sources).
"""

import argparse
import collections
import functools
import hashlib
import json
import multiprocessing
import os
import signal
import time
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.campaign.nights import Night, as_row, spend
from tests.support.simulation import described_faults

ROOT = Path(__file__).parents[2]
LIES = tuple(entry[0] for entry in described_faults.ENTRIES)
HANGS_S = 120  # a night takes a fraction of a second; one that takes this long hangs


def upper_bound(broken: int, nights: int) -> float:
    """Return the one-sided 95 % Clopper-Pearson bound. Source: Clopper & Pearson 1934, Biometrika 26(4)."""
    from scipy.stats import beta

    return 1.0 if broken >= nights else float(beta.ppf(0.95, broken + 1, nights - broken))


def fingerprint() -> str:
    """Return a short mark of all sources that a night runs through."""
    digest = hashlib.sha256()
    for folder in ("drivers", "harness", "profiles", "tests/campaign"):
        for path in sorted((ROOT / folder).rglob("*")):
            if path.suffix in (".py", ".toml"):
                digest.update(str(path.relative_to(ROOT)).encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


def guarded(seed: int, lies: bool = False) -> Night:
    """Spend a night, `lies`: with the next lie of a described device; a hang is a broken promise, not the end."""

    def late(number: int, frame: Any) -> None:
        raise TimeoutError(f"hung: not over after {HANGS_S} s")

    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, late)
        signal.alarm(HANGS_S)
    try:
        return spend(seed, LIES[seed % len(LIES)] if lies else None)
    finally:
        if hasattr(signal, "SIGALRM"):
            signal.alarm(0)


def quiet() -> None:
    """Leave Ctrl-C to the parent, and end when it says so, whatever the parent itself does then."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


def done_before(out: Path, mark: str) -> list[Night]:
    """Return the nights that stand in a file, of these very sources."""
    if not out.is_file():
        return []
    nights = []
    for line in out.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
        except ValueError:
            continue  # the last line of a campaign that was cut short
        if row.pop("sources", "") == mark and "seed" in row:
            nights.append(Night(**row))
    return nights


def summary(nights: list[Night], mark: str, wall_s: float, workers: int) -> dict[str, Any]:
    """Return the counts of a campaign as plain data."""
    drawn = collections.Counter(night.fault for night in nights)
    fired = collections.Counter(night.fault for night in nights if night.fired)
    broken = [night for night in nights if night.wrong]
    return {
        "nights": len(nights),
        "seeds": [min((n.seed for n in nights), default=0), max((n.seed for n in nights), default=0)],
        "fired": sum(fired.values()),
        "broken": len(broken),
        "upper_bound_95": round(upper_bound(len(broken), len(nights)), 6) if nights else None,
        "readings": sum(night.rows for night in nights),
        "wall_s": round(wall_s, 1),
        "night_cpu_s": round(sum(night.cpu_s for night in nights) / max(len(nights), 1), 3),
        "workers": workers,
        "finished_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "sources": mark,
        "faults": {name: [drawn[name], fired[name]] for name in sorted(drawn)},
        "reasons": dict(collections.Counter(night.reason for night in nights).most_common()),
        "broken_seeds": [night.seed for night in broken],
    }


def show(found: dict[str, Any], nights: Iterable[Night]) -> None:
    """Print a summary for people."""
    for name, (drawn, fired) in found["faults"].items():
        print(f"{name:26} drawn {drawn:5d}  fired {fired:5d}")
    print("reasons: " + ", ".join(f"{reason} {count}" for reason, count in found["reasons"].items()))
    for night in nights:
        if night.wrong:
            print(
                f"seed {night.seed} ({night.kind}, {night.recipe}, {night.fault} at reading {night.at_reading}): "
                + "; ".join(night.wrong)
            )
    print(
        f"{found['nights']} nights, {found['fired']} with a fault that struck, {found['broken']} broken promises, "
        f"95 % upper bound of the rate {found['upper_bound_95']}, {found['readings']} readings, "
        f"{found['wall_s']:.0f} s ({found['night_cpu_s']:.2f} s of a processor a night)"
    )


def main() -> int:
    """Run a campaign; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaign", description=__doc__)
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    parser.add_argument("--seed", type=int, help="only this night, in full")
    parser.add_argument("--lies", action="store_true", help="only lies of described devices, one after another")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, help="a line per night, the summary last; goes on where it was")
    options = parser.parse_args()
    if options.seed is not None:
        print(json.dumps(as_row(spend(options.seed)), indent=1))
        return 0
    begin = time.monotonic()
    mark = fingerprint()
    wanted = range(options.first, options.first + options.nights)
    nights = [night for night in (done_before(options.out, mark) if options.out else []) if night.seed in wanted]
    there = {night.seed for night in nights}
    if there:
        print(f"{len(there)} nights of these sources stand in {options.out} already", flush=True)
    out = options.out.open("a", encoding="utf-8") if options.out else None
    if out is not None and out.tell():
        out.write("\n")  # the last line may have been cut short
    told_s = begin
    with multiprocessing.Pool(options.workers, quiet) as pool:
        spent = functools.partial(guarded, lies=options.lies)
        for night in pool.imap_unordered(spent, [seed for seed in wanted if seed not in there], chunksize=4):
            nights.append(night)
            if out is not None:
                out.write(json.dumps({**as_row(night), "sources": mark}) + "\n")
                out.flush()
            if night.wrong or time.monotonic() - told_s > 60.0:
                told_s = time.monotonic()
                told = f"; seed {night.seed}: {'; '.join(night.wrong)}" if night.wrong else ""
                print(f"{len(nights)} of {options.nights} nights, {told_s - begin:.0f} s{told}", flush=True)
    nights.sort(key=lambda night: night.seed)
    found = summary(nights, mark, time.monotonic() - begin, options.workers)
    if out is not None:
        out.write(json.dumps({"summary": found}) + "\n")
        out.close()
    show(found, nights)
    return 1 if found["broken"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
