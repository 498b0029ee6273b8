"""Commands that plan, run, go on and watch. Parse, call one function, print, exit."""

import contextlib
import functools
import inspect
import os
import shlex
import shutil
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from amphora.drivers.clock import RealClock, ScaledClock
from amphora.drivers.errors import DescriptionError
from amphora.drivers.opening import open_instrument, written_abilities
from amphora.drivers.roles import Abilities, Clock, Instrument
from amphora.drivers.simulated.bench import SimulatedBench
from amphora.harness.account.answer import analyse_run
from amphora.harness.account.asking import standing_beside
from amphora.harness.account.near_full import asked_before_a_night
from amphora.harness.archive.journal import read_run
from amphora.harness.archive.run_folder import resumable
from amphora.harness.archive.run_header import header_of
from amphora.harness.archive.shelf import Shelf
from amphora.harness.bench.bench_file import BenchDescription, bench_from_dict, for_recipe, load_bench
from amphora.harness.cli.asking import ask_for
from amphora.harness.cli.at_the_bench import (
    after_the_last_run,
    check_kind,
    hand_meter_shows,
    hands_of,
    person_at,
    typed_hand_meter,
)
from amphora.harness.cli.completion import benches, cells, recipes, runs
from amphora.harness.cli.next_command import after_a_run, options_given, run_words, show_next
from amphora.harness.cli.output import DEFAULT_LOGS, JsonOption, LogsOption, answer, leave, run_named, say
from amphora.harness.cli.terminal import nobody_reads
from amphora.harness.common.alarm import Alarm
from amphora.harness.common.as_json import to_json
from amphora.harness.common.errors import AmphoraError, InputError
from amphora.harness.common.keep_awake import stay_awake
from amphora.harness.common.quantities import parse
from amphora.harness.common.words import with_U
from amphora.harness.control.events import MadeSafe
from amphora.harness.plans.plan import plan_to_dict
from amphora.harness.plans.settled import Settled
from amphora.harness.report.plan_text import render
from amphora.harness.report.run_text import fitted, progress_line
from amphora.harness.running.off_first import off_first
from amphora.harness.running.runner import Outcome, Progress
from amphora.harness.running.session import (
    CAUTIONS,
    Request,
    carry_out,
    check_account,
    check_folder,
    check_hand_voltage,
    go_on,
    held,
    hold_identities,
    make_plan,
    open_rig,
)
from amphora.harness.running.simulated_session import SimulatedSession

CellOption = Annotated[str, typer.Option("--cell", autocompletion=cells, help="The cell's id on the shelf.")]
ProfileOption = Annotated[
    str, typer.Option("--profile", autocompletion=recipes, help="A built-in recipe, or the path of your own.")
]
BenchOption = Annotated[str, typer.Option("--bench", autocompletion=benches, help="A bench file, or 'simulated'.")]
StartOption = Annotated[
    str | None,
    typer.Option("--start", help="How the cell starts: 'declared-full' or 'unknown'. Default: what the shelf knows."),
]
CapacityOption = Annotated[str | None, typer.Option("--capacity", help="What the cell is taken to hold, as '1.2 Ah'.")]
CurrentOption = Annotated[str | None, typer.Option("--current", help="Discharge or charge current, as '300 mA'.")]
CutoffOption = Annotated[str | None, typer.Option("--cutoff", help="Cut-off voltage, as '3.0 V'.")]
ReadyOption = Annotated[
    str | None,
    typer.Option("--ready-by", help="Choose a discharge current that is done by then, as '07:30'."),
]
AttendedOption = Annotated[
    str | None, typer.Option("--attended", help="Hours in which somebody is there, as '18:00-23:00'.")
]
PresentOption = Annotated[bool, typer.Option("--present", help="Somebody is there for as long as it charges.")]
UnattendedOption = Annotated[
    bool,
    typer.Option("--charge-unattended", help="Charge with nobody there, on a supply that guards itself."),
]
NoSensorOption = Annotated[
    bool,
    typer.Option(
        "--charge-without-sensor",
        help="Charge with no temperature sensor at the cell: nothing sees it heat up. Somebody stays and touches it.",
    ),
]
HandOption = Annotated[
    str | None,
    typer.Option("--hand-voltage", help="What a hand meter read at the cell, with its sign, as '3.31 V'."),
]
SpiteOption = Annotated[
    list[str] | None,
    typer.Option("--in-spite-of", metavar="CODE", help="Take on a finding of the account; it is written into the run."),
]
SettledOption = Annotated[
    bool,
    typer.Option("--stop-when-settled", help="End a discharge early, once no grade, or --for, can change any more."),
]
ForOption = Annotated[
    str | None, typer.Option("--for", help="With --stop-when-settled: the duty that has to be served, as path-light.")
]
KindOption = Annotated[str, typer.Option("--simulated-cell", help="Kind of cell on the simulated bench.")]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the simulated bench.")]


def _request(
    cell: CellOption,
    profile: ProfileOption,
    logs: LogsOption = DEFAULT_LOGS,
    start: StartOption = None,
    capacity: CapacityOption = None,
    current: CurrentOption = None,
    cutoff: CutoffOption = None,
    ready_by: ReadyOption = None,
    attended: AttendedOption = None,
    present: PresentOption = False,
    charge_unattended: UnattendedOption = False,
    in_spite_of: SpiteOption = None,
    charge_without_sensor: NoSensorOption = False,
    stop_when_settled: SettledOption = False,
    duty: ForOption = None,
) -> "Request":
    """What is asked for on the command line: the options that `plan` and `run` share, and their defaults."""
    if start not in (None, "full", "declared-full", "unknown"):
        raise InputError(f"--start {start}: is not accepted; declared-full or unknown is")
    if duty is not None and not stop_when_settled:
        raise InputError(f"--for {duty} is not accepted alone; it goes with --stop-when-settled")
    return Request(
        cell_id=cell,
        profile=profile,
        logs=logs,
        start="declared-full" if start == "full" else start,
        capacity_Ah=None if capacity is None else parse(capacity, "capacity", "--capacity"),
        current_A=None if current is None else parse(current, "current", "--current"),
        cutoff_V=None if cutoff is None else parse(cutoff, "voltage", "--cutoff"),
        ready_by=None if ready_by is None else _moment(ready_by),
        attended=None if attended is None else _hours(attended),
        present=present,
        unattended_charging_ok=charge_unattended,
        in_spite_of=tuple(in_spite_of or ()),
        without_sensor_ok=charge_without_sensor,
        settled=_settled(logs, cell, duty) if stop_when_settled else None,
    )


def _settled(logs: Path, cell: str, duty: str | None) -> "Settled":
    from amphora.harness.decisions.purpose import settled_by  # brings numpy, 30 MB of each run at work

    return settled_by(Shelf(logs).get(cell), duty)


def _asking(command: Callable[..., None]) -> Callable[..., None]:
    """Give `command` the options of `_request` where its parameter `request` stands, and what they ask for."""
    options = inspect.signature(_request).parameters
    parameters: list[inspect.Parameter] = []
    for name, parameter in inspect.signature(command).parameters.items():
        if name != "asked_with":
            parameters.extend(options.values() if name == "request" else [parameter])

    @functools.wraps(command)
    def asked(**given: Any) -> None:
        shared = {name: given.pop(name) for name in options}
        if "asked_with" in inspect.signature(command).parameters:
            kinds = {name: option.annotation for name, option in options.items()}
            given["asked_with"] = options_given(shared, kinds, {name: one.default for name, one in options.items()})
        command(request=_request(**shared), **given)

    by_name = [each.replace(kind=inspect.Parameter.KEYWORD_ONLY) for each in parameters]
    asked.__signature__ = inspect.Signature(by_name)  # type: ignore[attr-defined]
    asked.__annotations__ = {each.name: each.annotation for each in by_name}
    return asked


@_asking
def plan(
    bench: BenchOption = "simulated", *, request: "Request", asked_with: list[str], json: JsonOption = False
) -> None:
    """Show what a run will do, when it ends and what stops it.

    Example: amphora plan --cell L3-a --profile overnight --bench bench.toml --ready-by 07:30
    """
    described = _described(bench)
    # On a bench that lives faster the next run begins after the last one, which may lie ahead of this computer's clock.
    now = after_the_last_run(request.logs, request.cell_id) if described.speed_up > 1.0 else datetime.now(UTC)
    the_plan, _ = make_plan(request, described, now, _abilities(bench, described))
    if bench not in (None, "simulated"):
        with stay_awake() as awake:
            if awake.warning:
                the_plan.notes["not_guarded"] = [*the_plan.notes.get("not_guarded", []), awake.warning]
    data = plan_to_dict(the_plan)

    def show() -> None:
        print(render(the_plan, now.astimezone()))
        show_next(*run_words(asked_with, bench, the_plan.steps))

    answer({"plan": data}, json, show)


@_asking
def run(
    bench: BenchOption,
    request: "Request",
    hand_voltage: HandOption = None,
    simulated_cell: KindOption = "li-ion",
    seed: SeedOption = 1,
    json: JsonOption = False,
) -> None:
    """Run a recipe on a cell.

    Checks the bench first.

    Ctrl-C ends it orderly: outputs off, read back, written down; 'amphora resume' goes on.

    Example: amphora run --cell L3-a --profile overnight --bench bench.toml --hand-voltage "4.11 V"
    """
    perform(
        bench, request, hand_voltage, simulated_cell, seed, json,
        after_a_run(request.cell_id, Path(request.profile).stem, bench),
    )  # fmt: skip


def perform(
    bench: str,
    request: "Request",
    hand_voltage: str | None,
    simulated_cell: str,
    seed: int,
    json: bool,
    then: list[str],
) -> None:
    """Carry a run out and show how it ended; `then` are the words of the command that comes next."""
    described = None if bench == "simulated" else _described(bench)
    roles: frozenset[str] | None = None
    # What cannot be planned or kept is refused by itself, before any instrument is opened.
    if hand_voltage is not None:
        request = replace(request, hand_voltage_V=parse(hand_voltage, "voltage", "--hand-voltage"))
    check_hand_voltage(request)
    check_folder(request)
    tell = _with_cautions()
    if described is not None:
        early, _ = make_plan(request, described, datetime.now(UTC))
        roles = early.roles()
        check_account(request, early, described, datetime.now(UTC))
        asked = hand_voltage is None and sys.stdin.isatty() and (described.hands or not described.simulated)
        if asked and not early.notes.get("device"):
            tell("")
            shows = hand_meter_shows(hands_of(described))
            typed_V = ask_for(
                f"Hand meter at the cell, with its sign, as '3.31 V' (Return: not read{shows}): ", typed_hand_meter
            )
            if typed_V is not None:
                request = replace(request, hand_voltage_V=typed_V)
                check_hand_voltage(request)
    with _Setup(bench, request, simulated_cell, seed, roles=roles) as setup:
        if setup.real:
            tell("")
        outcome = carry_out(
            request,
            setup.description,
            setup.rig,
            setup.clock,
            setup.person,
            show=setup.show,
            alarm=setup.alarm,
            tell=tell,
            guarded=setup.real,
        )
    _finish(outcome, json, then, request.logs)


def resume(
    run: Annotated[
        Path, typer.Argument(metavar="RUN", autocompletion=runs, help="A run that was cut short: folder or cell's id.")
    ],
    bench: Annotated[
        str | None,
        typer.Option("--bench", autocompletion=benches, help="The bench file; default: the one it began with."),
    ] = None,
    same_cell: Annotated[bool, typer.Option("--same-cell", help="It is the same cell, whatever its voltage.")] = False,
    in_spite_of: SpiteOption = None,
    simulated_cell: KindOption = "li-ion",
    seed: SeedOption = 1,
    logs: LogsOption = DEFAULT_LOGS,
    json: JsonOption = False,
) -> None:
    """Continue a run that was interrupted.

    Replays the folder, asks the instruments, bounds what passed in the gap, then continues.

    Example: amphora resume logs/L3-a/20261124T210502Z-overnight
    """
    run = run_named(run, logs=logs)
    before, plan = resumable(run)
    header = header_of(before.run)
    where = bench or header.bench.file
    if not where:
        raise InputError(f"{run}: does not say which bench file it began with; give --bench")
    of_a_cell = (run.absolute().parent / "cell.json").is_file()  # it may have been renamed since it began
    cell = run.absolute().parent.name if of_a_cell else header.cell.id
    request = Request(cell, header.profile, run.parent.parent)
    with _Setup(str(where), request, simulated_cell, seed, before_open=run, roles=plan.roles()) as setup:
        outcome = go_on(
            run,
            setup.description,
            setup.rig,
            setup.clock,
            setup.person,
            show=setup.show,
            alarm=setup.alarm,
            tell=_remark,
            same_cell=same_cell,
            guarded=setup.real,
            in_spite_of=tuple(in_spite_of or ()),
        )
    _finish(outcome, json, after_a_run(request.cell_id, request.profile, str(where)), request.logs)


# -- what the commands share -----------------------------------------------------------------------


def _clock_time(text: str, where: str) -> tuple[int, int]:
    try:
        moment = datetime.strptime(text.strip(), "%H:%M")
    except ValueError as error:
        raise InputError(f"{where}: {text!r} is not accepted; a time of day such as 07:30 is") from error
    return moment.hour, moment.minute


def _moment(text: str) -> datetime:
    """The next time the clock shows this time of day, local."""
    hour, minute = _clock_time(text, "--ready-by")
    now = datetime.now().astimezone()
    moment = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return moment if moment > now else moment + timedelta(days=1)


def _hours(text: str) -> tuple[float, float]:
    begin, dash, end = text.partition("-")
    if not dash:
        raise InputError(f"--attended: {text!r} is not accepted; two times of day such as 18:00-23:00 are")
    try:
        (h0, m0), (h1, m1) = _clock_time(begin, "--attended"), _clock_time(end, "--attended")
    except InputError as error:
        raise InputError(f"--attended: {text!r} is not accepted; two times of day such as 18:00-23:00 are") from error
    return h0 + m0 / 60.0, h1 + m1 / 60.0


def _with_cautions() -> Callable[[str], None]:
    """Return what tells a person a line; the cautions come before its first."""
    ahead = list(CAUTIONS)

    def tell(text: str) -> None:
        for line in (*ahead, text) if text else ahead:
            _remark(line)
        ahead.clear()

    return tell


def _described(bench: str) -> "BenchDescription":
    if bench == "simulated":
        return bench_from_dict(SimulatedBench().description, "simulated")
    return load_bench(Path(bench))


def _abilities(bench: str, described: "BenchDescription") -> dict[str, "Abilities"]:
    """What the instruments guard by themselves, as far as it is known without opening one."""
    if bench == "simulated":
        return {name: instrument.abilities for name, instrument in SimulatedBench().instruments.items()}
    try:
        found = {name: written_abilities(name, table) for name, table in described.instruments.items()}
    except DescriptionError as error:
        raise InputError(f"{described.where}: {error}") from error
    return {name: abilities for name, abilities in found.items() if abilities is not None}


class _Setup:
    """The bench of one command: opened on entering, given back on leaving."""

    def __init__(
        self,
        bench: str,
        request: "Request",
        kind: str,
        seed: int,
        before_open: "Path | None" = None,
        roles: frozenset[str] | None = None,
    ) -> None:
        self._roles = roles  # what the run orders: a bay opens no shared load or supply that it does not need
        self.real = bench != "simulated"
        self._request = request
        self._bench = bench
        self._kind = kind
        self._seed = seed
        self._before_open = before_open  # a run that was cut short: its instruments are switched off first

    def __enter__(self) -> "_Setup":
        self.person: Any
        self.alarm: Callable[[str, str], None] | None = None
        self.show = _progress()
        if not self.real:
            check_kind(self._kind)
            self._session = SimulatedSession(self._request.logs, self._request.cell_id, self._kind, self._seed)
            self.description = self._session.description
            self.clock: Clock = self._session.clock
            self.rig = open_rig(self.description, self.clock, self._session.open)
            self.person = self._session.person()
            return self
        self.description = _described(self._bench)
        if self._roles is not None:
            self.description = for_recipe(self.description, self._roles)
        speed_up = self.description.speed_up
        after = None if self._before_open else after_the_last_run(self._request.logs, self._request.cell_id)
        self.clock = RealClock() if speed_up == 1.0 else ScaledClock(speed_up, after)
        opener: Callable[[str, Mapping[str, Any], Clock], Instrument] = open_instrument
        self._alarm = Alarm(self.description.alarms, f"{self.description.where}: alarms")
        self.alarm = self._alarm.raise_
        with contextlib.ExitStack() as stack:
            if self._before_open is not None:  # it takes the locks itself: who holds a channel keeps it
                off_first(self._before_open, self.description, _remark)
            stack.enter_context(held(self.description))
            self.rig = open_rig(self.description, self.clock, opener)
            stack.callback(self.rig.close)
            stack.enter_context(hold_identities(self.description, self.rig))
            self._held = stack.pop_all()
        self.person = person_at(self.description, hands_of(self.description))
        return self

    def __exit__(self, *_: object) -> None:
        if not self.real:
            self.rig.close()
            self._session.keep()
            return
        self._held.close()
        self._alarm.drain(5.0)
        for failure in dict.fromkeys(self._alarm.failures):
            say(f"an alarm did not get through: {failure}")


def _remark(text: str) -> None:
    """Say a line while a run goes on; at a terminal it takes the place of the progress line."""
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[2K")
    say(f"  {text}")


def _progress() -> "Callable[[Progress], None]":
    """Return what shows progress: one line that is written over on a terminal, else plain lines."""
    terminal = sys.stderr.isatty()
    last = [0.0]

    def show(progress: "Progress") -> None:
        if terminal:
            columns = shutil.get_terminal_size().columns
            with contextlib.suppress(OSError, ValueError):
                columns = os.get_terminal_size(sys.stderr.fileno()).columns or columns
            sys.stderr.write("\r\x1b[2K" + fitted(progress_line(progress), columns - 1))
            sys.stderr.flush()
        elif progress.t_s - last[0] >= 600.0:
            last[0] = progress.t_s
            say(progress_line(progress))

    return show


def _finish(outcome: "Outcome", json: bool, then: list[str], logs: Path) -> None:
    if sys.stderr.isatty():
        sys.stderr.write("\r\x1b[2K")
    data: dict[str, Any] = {
        "run": str(outcome.folder.absolute()),  # whoever reads this may stand elsewhere
        "stop": outcome.reason,
        "text": outcome.text,
        "safe": outcome.safe,
        "rows": outcome.rows,
        "exit_code": outcome.exit_code,
    }
    headline: list[str] = []
    if outcome.rows:
        headline = _headline(outcome.folder, data)

    def show() -> None:
        print(f"{outcome.folder}")
        print(f"  ended: {outcome.reason} ({outcome.text})")
        print(f"  outputs: {_outputs(outcome)}")
        for line in headline:
            print(f"  {line}")
        beside = standing_beside(outcome.folder) if outcome.final else None
        if beside is not None and (asked := asked_before_a_night(beside[1])):
            print(f"  {asked}")
        if not outcome.final and outcome.rows and outcome.folder.is_dir():
            print(f"Next: amphora resume {shlex.quote(str(outcome.folder))}")
        elif not outcome.exit_code:
            show_next(*then, logs=logs)

    try:
        answer(data, json, show)
        sys.stdout.flush()
    except OSError as error:  # whoever read it is gone; how the run ended does not change by that
        nobody_reads()
        say(f"amphora: {outcome.text}; the answer could not be written ({error.strerror}): see {outcome.folder}")
    if outcome.exit_code:
        if json:
            say(f"amphora: {outcome.text}")
        leave(outcome.exit_code)


def _outputs(outcome: "Outcome") -> str:
    """Return what became of the outputs; a bench of loggers has none, and a resistor drains on."""
    if not outcome.safe:
        return "NOT KNOWN TO BE OFF: pull the leads"
    try:
        made = [event for event in read_run(outcome.folder).events if isinstance(event, MadeSafe)]
    except AmphoraError:
        made = []
    if made and made[-1].instruments == {}:
        return "this bench has none: see that no resistor is left on the cell"
    return "off, read back"


def _headline(folder: Path, data: dict[str, Any]) -> list[str]:
    """Add the headline figures to the answer; a run without any has none, and says why."""
    try:
        result = analyse_run(folder)
    except AmphoraError as error:
        return [f"no figures: {error}"]
    keys = (
        "capacity_Ah",
        "capacity_U_Ah",
        "charge_Ah",
        "energy_Wh",
        "mean_voltage_V",
        "reached_cutoff",
        "start",
        "warnings",
    )
    for key in keys:
        data[key] = to_json(getattr(result, key))
    lines = []
    if result.capacity_Ah is not None:
        if not result.reached_cutoff:
            what = "gave at least"
        elif result.from_full:
            what = "holds"
        else:
            what = "gave (start not known to be full)"
        lines.append(f"{what} {with_U(result.capacity_Ah, result.capacity_U_Ah, 1000.0, 'mAh')} (k = 2)")
    if result.charge_Ah is not None:
        lines.append(f"accepted {result.charge_Ah * 1000:.0f} mAh")
    lines.extend(warning.text for warning in result.warnings)
    return lines
