"""The command line. It reads arguments, calls one function of the core, shows what comes back, sets the
exit status.

Exit status: 0 an alternative is verified; 2 the input is at fault; 3 no feasible or no verified design; 130
stopped, the best so far is kept; 1 a defect of ours. Heavy imports stand in the commands, so that --help is
quick.
"""

from __future__ import annotations

import math
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hydraulics.units import System
    from optimizer.errors import InputFault
    from optimizer.scenario import Scenario
    from optimizer.study import Study

STOPPED = 130
NOTHING_VERIFIED = 3
DEFECT = 1
ONE_SIGNAL_S = 0.5  # `timeout` and some shells signal twice at once: that is one wish to stop
DEBUG = "HAARLINE_DEBUG"  # set to 1 to see the traceback of a defect

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Place misting nozzles, split tubing into runs, prove every nozzle's pressure.",
)


class Units(StrEnum):
    """Units shown; they change nothing that is computed."""

    metric = "metric"
    us = "us"


def _finite(value: float | None) -> float | None:
    """Refuse `nan` and `inf`, which a range lets pass."""
    if value is not None and not math.isfinite(value):
        raise typer.BadParameter("give a finite number")
    return value


ScenarioFolder = Annotated[Path, typer.Argument(metavar="SCENARIO", help="Folder with scenario.toml and site.geojson.")]
UnitsOption = Annotated[Units, typer.Option(help="Units shown; they change nothing that is computed.")]


@app.command()
def inspect(scenario: ScenarioFolder, units: UnitsOption = Units.metric) -> None:
    """List the faults of a scenario, or sum up what it holds."""
    from rich.console import Console

    from optimizer import instance, terminal
    from optimizer.scenario import read_scenario

    terminal.show_inspection(instance.inspection(read_scenario(scenario)), _system(units), Console())


@app.command()
def study(
    scenario: ScenarioFolder,
    out: Annotated[Path, typer.Option(help="Folder to write into: new, empty, or of an earlier study.")],
    options: Annotated[
        str | None, typer.Option(help="Options to answer, like one_pump,two_pumps; all by default.")
    ] = None,
    gap: Annotated[
        float,
        typer.Option(min=0.0, max=0.5, callback=_finite, help="Relative gap at which a search may end."),
    ] = 0.005,
    time_limit: Annotated[
        float | None,
        typer.Option(min=0.0, callback=_finite, help="Seconds for each option; answers may then vary."),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the searches; same seed, same answer.")] = 0,
    workers: Annotated[int | None, typer.Option(min=1, help="Options solved at a time; by default one a core.")] = None,
    frontier: Annotated[
        int,
        typer.Option(min=0, max=50, help="Points of cost against coverage for each option, each a verified design."),
    ] = 0,
    drift_frontier: Annotated[
        int,
        typer.Option(min=0, max=50, help="Points of coverage against drift for each option, each a placement."),
    ] = 0,
    units: UnitsOption = Units.metric,
) -> None:
    """Answer each option with a verified design, compare them, write the files of all."""
    from rich.console import Console

    from optimizer import terminal
    from optimizer.study import StudySettings
    from optimizer.study import study as answer

    read, chosen = _asked(scenario, out, options)
    processes = workers or os.cpu_count() or 1
    settings = StudySettings(chosen, gap, time_limit, seed, processes, frontier, drift_frontier)
    with _stopping() as stopped, terminal.progress_shown(Console(stderr=True)) as report:
        answered = answer(read, settings, report, stopped.is_set)
    _publish(answered, read, out)
    terminal.show_study(answered, _system(units), Console())
    typer.echo(f"Written to {out}")
    if stopped.is_set():
        raise typer.Exit(STOPPED)
    if any(alternative.status == "defect" for alternative in answered.alternatives):
        raise typer.Exit(DEFECT)
    if not any(alternative.verified for alternative in answered.alternatives):
        raise typer.Exit(NOTHING_VERIFIED)


@app.command()
def verify(
    design: Annotated[Path, typer.Argument(metavar="DESIGN.JSON", help="A design.json that a study has written.")],
    units: UnitsOption = Units.metric,
) -> None:
    """Check a design again from its file alone: every pressure, flow, area and fault."""
    from rich.console import Console

    from optimizer import terminal
    from optimizer import verify as check
    from optimizer.design import read_design

    read = read_design(design)
    state, off = check.verify(read), check.discrepancies(read)
    terminal.show_verification(state, off, _system(units), Console())
    if off or not state.verified:
        raise typer.Exit(NOTHING_VERIFIED)


def _system(units: Units) -> System:
    return "us" if units is Units.us else "metric"


def _asked(folder: Path, out: Path, options: str | None) -> tuple[Scenario, tuple[str, ...] | None]:
    """The scenario and the options asked for; faults of the files and of the arguments are raised together."""
    from optimizer.errors import InputFaults
    from optimizer.publish import out_faults
    from optimizer.scenario import read_scenario

    faults = out_faults(out)
    try:
        scenario = read_scenario(folder)
        chosen = _chosen(options, scenario)
    except InputFaults as error:
        raise InputFaults((*error.faults, *faults)) from None
    if faults:
        raise InputFaults(faults)
    return scenario, chosen


def _publish(answered: Study, scenario: Scenario, out: Path) -> None:
    """Write the study; a folder that cannot be written is a fault of the input."""
    from optimizer.errors import InputFault, InputFaults
    from optimizer.publish import publish

    try:
        publish(answered, scenario, out)
    except OSError as error:
        problem = f"cannot be written, {error.strerror or error}"
        raise InputFaults((InputFault("--out", "", str(out), problem, "make room or name another folder"),)) from error


def _chosen(options: str | None, scenario: Scenario) -> tuple[str, ...] | None:
    """The options named, in the scenario's order; all named that do not exist are faults at once."""
    if options is None:
        return None
    from optimizer.errors import InputFaults

    asked = [name.strip() for name in options.split(",") if name.strip()]
    known = [option.name for option in scenario.options]
    faults = tuple(_unknown_option(name, known) for name in asked if name not in known)
    if faults or not asked:
        raise InputFaults(faults or (_unknown_option("", known),))
    return tuple(name for name in known if name in asked)


def _unknown_option(name: str, known: Sequence[str]) -> InputFault:
    from difflib import get_close_matches

    from optimizer.errors import InputFault

    close = get_close_matches(name, known, 1)
    mend = f"did you mean {close[0]}?" if close else f"choose among {', '.join(known)}"
    return InputFault("--options", "", repr(name), "is no option of the scenario", mend)


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    """An event that the first Ctrl-C or SIGTERM sets; the second ends this process and its workers."""
    stopped = threading.Event()
    asked_s = -math.inf

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        nonlocal asked_s
        if stopped.is_set():
            if time.monotonic() > asked_s + ONE_SIGNAL_S:
                _end_at_once()
            return
        asked_s = time.monotonic()
        stopped.set()
        print("\nStopping; the best so far is kept. Once more to end at once.", file=sys.stderr, flush=True)

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stopped
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _end_at_once() -> NoReturn:
    import multiprocessing

    for child in multiprocessing.active_children():
        child.kill()
    os._exit(STOPPED)


def main() -> None:
    """Run the command line; errors become lists and exit statuses, never tracebacks."""
    from optimizer.errors import HaarlineError

    try:
        app()
    except HaarlineError as error:
        _leave(str(error), error.exit_status, error)
    except KeyboardInterrupt:
        _leave("stopped", STOPPED, None)
    except Exception as error:
        place = f"set {DEBUG}=1 to see where"
        _leave(f"a defect of ours: {type(error).__name__}: {error}; please report it ({place})", 1, error)


def _leave(message: str, status: int, error: Exception | None) -> NoReturn:
    if error is not None and os.environ.get(DEBUG) == "1":
        raise error
    print(message, file=sys.stderr)
    raise SystemExit(status)
