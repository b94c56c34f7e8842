"""The command line only delegates: arguments in, one call of the core, words out, exit status.

Physics and mathematics are tested where they live; here the core is replaced by stand-ins.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rich.console import Console

from optimizer import cli, design, instance, publish, scenario, terminal, verify
from optimizer import study as study_module
from optimizer.errors import InputFault, InputFaults, NoDesign
from optimizer.instance import Inspection
from optimizer.progress import Progress
from optimizer.study import Study, StudySettings
from tests.optimizer.drawn_design import example_design, example_site
from tests.optimizer.drawn_study import example_alternative, example_study, refused_alternative

SITE = example_site()
DESIGN = example_design(SITE)
VERIFIED, REFUSED = example_alternative(DESIGN), refused_alternative()
UNVERIFIED = example_alternative(example_design(SITE, verified=False))
SCENARIO = SimpleNamespace(site=SITE, options=[SimpleNamespace(name=name) for name in ("one_pump", "two_pumps")])

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs `haarline ARGUMENTS` in this process: exit status, standard output, standard error."""
    monkeypatch.setenv("COLUMNS", "200")

    def command(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["haarline", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return command


class Core:
    """Stand-in for the core: hands out a study, and remembers what it was asked and what was published."""

    def __init__(self, answer: Study) -> None:
        self.answer, self.settings, self.published = answer, StudySettings(), []
        self.during: Callable[[Any, Any], None] = lambda report, stop: None

    def study(self, _scenario: object, settings: StudySettings, report: Any, stop: Any) -> Study:
        self.settings = settings
        self.during(report, stop)
        return self.answer

    def publish(self, study: Study, _scenario: object, folder: Path) -> None:
        self.published.append((study, folder))


@pytest.fixture
def core(monkeypatch: pytest.MonkeyPatch) -> Iterator[Core]:
    stand_in = Core(example_study(VERIFIED, REFUSED))
    monkeypatch.setattr(scenario, "read_scenario", lambda _: SCENARIO)
    monkeypatch.setattr(study_module, "study", stand_in.study)
    monkeypatch.setattr(publish, "publish", stand_in.publish)
    yield stand_in


# study


def test_a_study_is_answered_published_and_shown(run: Run, core: Core, tmp_path: Path) -> None:
    status, out, _ = run("study", "here", "--out", tmp_path / "out")
    assert status == 0
    assert core.published == [(core.answer, tmp_path / "out")]
    assert core.settings == StudySettings(None, 0.005, None, 0, os.cpu_count() or 1)
    assert "two_pumps" in out and "one circuit cannot serve two schedules" in out and "round 1" in out
    assert "product's label" in out and f"Written to {tmp_path / 'out'}" in out


def test_every_setting_reaches_the_core(run: Run, core: Core, tmp_path: Path) -> None:
    arguments = (
        "--options",
        "two_pumps, one_pump",
        "--gap",
        "0.02",
        "--time-limit",
        "9",
        "--seed",
        "5",
        "--workers",
        "3",
    )
    status, _, _ = run("study", "here", "--out", tmp_path / "out", *arguments)
    assert status == 0
    assert core.settings == StudySettings(("one_pump", "two_pumps"), 0.02, 9.0, 5, 3)


@pytest.mark.parametrize(
    ("alternatives", "status"), [((REFUSED,), 3), ((UNVERIFIED, REFUSED), 3), ((VERIFIED, REFUSED), 0)]
)
def test_without_a_verified_alternative_the_status_is_3(
    run: Run, core: Core, tmp_path: Path, alternatives: tuple[Any, ...], status: int
) -> None:
    core.answer = example_study(*alternatives)
    assert run("study", "here", "--out", tmp_path)[0] == status
    assert core.published


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_one_ctrl_c_keeps_the_best_so_far(run: Run, core: Core, tmp_path: Path, number: int) -> None:
    def stopped(_: Any, stop: Any) -> None:
        assert not stop()
        os.kill(os.getpid(), number)
        os.kill(os.getpid(), number)  # `timeout` signals the process and its group: still one wish
        time.sleep(0.01)
        assert stop()

    core.during = stopped
    before = signal.getsignal(number)
    status, out, err = run("study", "here", "--out", tmp_path)
    assert status == 130 and core.published and "two_pumps" in out
    assert "the best so far is kept" in err
    assert signal.getsignal(number) == before


def test_a_second_ctrl_c_ends_at_once(tmp_path: Path) -> None:
    """In a process of its own, which would otherwise go on for a minute."""
    code = (
        "import os, signal, time\n"
        "from optimizer.cli import ONE_SIGNAL_S, _stopping\n"
        "with _stopping():\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "    time.sleep(ONE_SIGNAL_S + 0.1)\n"
        "    os.kill(os.getpid(), signal.SIGINT)\n"
        "    time.sleep(60)\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], timeout=50, capture_output=True, text=True, check=False)
    assert ended.returncode == 130 and "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("two_pump", "--options: is no option of the scenario (found 'two_pump'); did you mean two_pumps?"),
        ("zebra", "--options: is no option of the scenario (found 'zebra'); choose among one_pump, two_pumps"),
        (",", "--options: is no option of the scenario (found ''); choose among one_pump, two_pumps"),
    ],
)
def test_an_unknown_option_is_a_fault(run: Run, core: Core, tmp_path: Path, asked: str, told: str) -> None:
    status, out, err = run("study", "here", "--out", tmp_path, "--options", asked)
    assert status == 2 and told in err and not out and not core.published


def test_all_unknown_options_are_told_at_once(run: Run, core: Core, tmp_path: Path) -> None:
    _, _, err = run("study", "here", "--out", tmp_path, "--options", "a,one_pump,b")
    assert err.count("is no option") == 2


def test_faults_of_files_and_arguments_are_told_together(
    run: Run, core: Core, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def faulty(_: Path) -> None:
        raise InputFaults((InputFault("scenario.toml", "rules.gap", "", "is missing", "add it"),))

    monkeypatch.setattr(scenario, "read_scenario", faulty)
    (tmp_path / "thesis.txt").write_text("x")
    status, _, err = run("study", "here", "--out", tmp_path)
    assert status == 2 and "2 faults" in err and "rules.gap" in err and "holds other files" in err


def test_a_full_disk_is_told_in_words(run: Run, core: Core, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(publish, "publish", full)
    status, _, err = run("study", "here", "--out", tmp_path)
    assert status == 2 and "--out: cannot be written, No space left on device" in err


def test_a_folder_with_other_files_is_refused_before_the_work(run: Run, core: Core, tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("x")
    core.during = lambda *_: pytest.fail("the study was begun")
    status, _, err = run("study", "here", "--out", tmp_path)
    assert status == 2 and "--out: holds other files and no study.json" in err
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


@pytest.mark.parametrize(
    "arguments",
    [
        ("--gap", "-1"),
        ("--gap", "nan"),
        ("--gap", "x"),
        ("--time-limit", "inf"),
        ("--workers", "0"),
        ("--units", "furlong"),
        (),
    ],
)
def test_an_argument_out_of_range_is_status_2(run: Run, core: Core, tmp_path: Path, arguments: tuple[str, ...]) -> None:
    place = ("--out", tmp_path) if arguments else ()
    status, _, err = run("study", "here", *place, *arguments)
    assert status == 2 and err and "Traceback" not in err and not core.published


# faults, defects


def test_faults_are_a_list_and_no_traceback(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    faults = tuple(
        InputFault("site.geojson", f"zones[{k}]", "-1", "is negative", "give a number above 0") for k in (0, 1)
    )

    def faulty(_: Path) -> None:
        raise InputFaults(faults)

    monkeypatch.setattr(scenario, "read_scenario", faulty)
    status, out, err = run("inspect", "here")
    assert status == 2 and not out
    assert err.splitlines() == [
        "2 faults in the input:",
        "  site.geojson: zones[0]: is negative (found -1); give a number above 0",
        "  site.geojson: zones[1]: is negative (found -1); give a number above 0",
    ]


@pytest.mark.parametrize(
    ("error", "status", "told"),
    [
        (NoDesign("reserve", "no pump feeds a nozzle"), 3, "no pump feeds a nozzle (rule: reserve)"),
        (ZeroDivisionError("division by zero"), 1, "a defect of ours: ZeroDivisionError: division by zero"),
        (KeyboardInterrupt(), 130, ""),
    ],
)
def test_every_error_ends_with_its_status(
    run: Run, monkeypatch: pytest.MonkeyPatch, error: BaseException, status: int, told: str
) -> None:
    def broken(_: Path) -> None:
        raise error

    monkeypatch.setattr(scenario, "read_scenario", broken)
    monkeypatch.delenv("HAARLINE_DEBUG", raising=False)
    found, _, err = run("inspect", "here")
    assert found == status and told in err and "Traceback" not in err


def test_a_defect_shows_its_place_when_asked(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HAARLINE_DEBUG", "1")
    monkeypatch.setattr(scenario, "read_scenario", lambda _: 1 / 0)
    monkeypatch.setattr(sys, "argv", ["haarline", "inspect", "here"])
    with pytest.raises(ZeroDivisionError):
        cli.main()


# inspect, verify, help


INSPECTION = Inspection(
    "First look",
    1234.5,
    {"lawn": 100.0},
    {"fence": 30.48},
    61,
    (("keep-out pond", 3),),
    400,
    90.0,
    ("shed",),
    42.0,
    5,
    (("a", 30),),
    (("notice_days", "at least 2 (a code)"),),
)


def test_inspect_sums_up_in_the_units_asked_for(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """30.48 m are 100 ft, 100 m2 are 1076.39 ft2 (NIST SP 811)."""
    monkeypatch.setattr(scenario, "read_scenario", lambda _: SCENARIO)
    monkeypatch.setattr(instance, "inspection", lambda _: INSPECTION)
    status, metric, _ = run("inspect", "here")
    assert status == 0 and "100 m²" in metric and "30.5 m" in metric and "left out, keep-out pond" in metric
    assert "rule notice_days" in metric and "at least 2 (a code)" in metric
    _, us, _ = run("inspect", "here", "--units", "us")
    assert "1076 ft²" in us and "100.0 ft" in us and "61 positions" in us


@pytest.mark.parametrize(
    ("verified", "off", "status"), [(True, (), 0), (True, ("N001: pressure_pa is 2 % off",), 3), (False, (), 3)]
)
def test_verify_says_what_is_off(
    run: Run, monkeypatch: pytest.MonkeyPatch, verified: bool, off: tuple[str, ...], status: int
) -> None:
    checked = example_design(SITE, verified=verified)
    monkeypatch.setattr(design, "read_design", lambda _: checked)
    monkeypatch.setattr(verify, "verify", lambda one: one.verification)
    monkeypatch.setattr(verify, "discrepancies", lambda _: off)
    found, out, _ = run("verify", "design.json")
    assert found == status
    assert all(sentence in out for sentence in (*off, *checked.verification.low_faults))
    assert ("NOT VERIFIED" in out) == (status == 3)


def test_verify_of_no_design_is_a_fault_of_the_input(run: Run, tmp_path: Path) -> None:
    (tmp_path / "design.json").write_text('{"schema_version": 99}')
    status, _, err = run("verify", tmp_path / "design.json")
    assert status == 2 and "schema_version" in err


@pytest.mark.parametrize("command", [(), ("inspect",), ("study",), ("verify",)])
def test_help_is_there_and_loads_nothing_heavy(command: tuple[str, ...]) -> None:
    """What makes --help slow is imports, so these are counted, not seconds."""
    code = (
        "import sys\n"
        f"sys.argv = {['haarline', *command, '--help']!r}\n"
        "from optimizer.cli import main\n"
        "try:\n    main()\n"
        "finally:\n"
        "    heavy = {'numpy', 'scipy', 'shapely', 'pyomo', 'highspy', 'matplotlib'} & set(sys.modules)\n"
        "    print('heavy:', sorted(heavy))\n"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Usage: haarline" in shown.stdout and shown.stdout.endswith("heavy: []\n")


# The terminal


def shown(study: Study, units: Any, width: int) -> str:
    out = io.StringIO()
    terminal.show_study(study, units, Console(file=out, width=width))
    return out.getvalue()


@pytest.mark.parametrize("units", ["metric", "us"])
def test_every_number_of_the_comparison_has_its_unit(units: str) -> None:
    text = shown(example_study(VERIFIED, REFUSED), units, 120)
    rows = text[text.index("status") : text.index("two_pumps: Two pumps")].splitlines()
    cells = [cell for row in rows for cell in re.split(r"\s{2,}", row.strip())[1:]]
    numbers = [cell for cell in cells if re.search(r"\d", cell)]
    assert len(numbers) == 48
    flagged, interval, weakest = r"[\d.]+ % !", r"[\d.]+ % \([\d.]+ to [\d.]+ %\)", r"N\d+ on C\d+ \([\d.]+ %\)"
    for cell in numbers:
        assert re.fullmatch(rf"\+?[\d.,]+ \S+|{flagged}|{interval}|{weakest}", cell), cell


def test_the_comparison_is_in_the_units_asked_for() -> None:
    """1234.5 m2 are 13288 ft2, 381.4 m are 1251 ft, 14 bar are 203.1 psi, 5.4 L are 1.4 gal (NIST SP 811)."""
    metric, us = (shown(example_study(VERIFIED), units, 120) for units in ("metric", "us"))
    assert all(words in metric for words in ("1234 m²", "381 m", "14.00 bar", "12,346 EUR", "1.25 %", "5.4 L"))
    assert all(words in us for words in ("13288 ft²", "1251 ft", "203.1 psi", "12,346 EUR", "1.25 %", "1.4 gal"))


@pytest.mark.parametrize("width", [44, 60, 80, 200])
def test_a_narrow_terminal_shows_every_alternative_whole(width: int) -> None:
    many = [replace(VERIFIED, option=f"option_{k}", installed_cost=1000.0 + k) for k in range(5)]
    text = shown(example_study(*many), "metric", width)
    for k in range(5):
        assert f"option_{k}" in text and f"1,00{k} EUR" in re.sub(r"\s+", " ", text)
    table = text[: text.index("option_0: Two pumps")]
    assert max(len(line) for line in table.splitlines()) <= width


def test_progress_in_a_file_is_a_line_a_stage() -> None:
    out = io.StringIO()
    with terminal.progress_shown(Console(file=out, width=200)) as report:
        report(Progress("geometry"))
        for value in range(100):
            report(Progress("placement", "one_pump", float(value), 120.0, (120.0 - value) / 120.0, 0.1, "nodes"))
        report(Progress("done", "one_pump", 110.0, 111.0, 0.009, 2.0))
    lines = re.sub(r"\d\.\d s", "0.0 s", out.getvalue()).splitlines()
    assert lines == [
        "all options: geometry  0.0 s",
        "one_pump: placement  best 0.0 m² weighted  bound 120.0 m² weighted  gap 100.00 %  0.0 s  nodes",
        "one_pump: done  best 110.0 m² weighted  bound 111.0 m² weighted  gap 0.90 %  0.0 s",
    ]


def test_progress_on_a_terminal_is_a_row_an_option() -> None:
    out = io.StringIO()
    console = Console(file=out, width=120, force_terminal=True, color_system=None)
    with terminal.progress_shown(console) as report:
        report(Progress("placement", "one_pump", 90.0, 100.0, 0.1, 3.0))
        report(Progress("runs", "two_pumps", note="start"))
        time.sleep(0.4)
    assert re.search(r"one_pump +placement +90\.0 m² weighted +100\.0 m² weighted +10\.00 % +0\.\d s", out.getvalue())
    assert re.search(r"two_pumps +runs", out.getvalue())


def test_words_of_others_are_words_not_markup() -> None:
    """Names and reasons are shown as they are, square brackets and all."""
    odd = replace(REFUSED, option="[red]x", reason="zone [bold]lawn[/bold] is out of reach")
    text = shown(example_study(odd), "metric", 120)
    assert "[red]x" in text and "zone [bold]lawn[/bold] is out of reach" in text


def test_the_study_file_and_the_screen_tell_the_same_cost() -> None:
    written = json.loads(publish.study_text(example_study(VERIFIED)))["alternatives"][0]["installed_cost"]
    assert f"{written:,.0f} EUR" in shown(example_study(VERIFIED), "metric", 120)
