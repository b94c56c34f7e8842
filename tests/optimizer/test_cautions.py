"""Every file that a study writes, and the terminal, tell the cautions: a new kind of file without them fails here."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console

from optimizer.appraisal.frontier_points import FrontierPoint
from optimizer.cautions import BRIEF, CAUTIONS
from optimizer.publish import FRONTIER_FILE, OPTION_FILES, STUDY_FILE, publish
from optimizer.study import Study
from optimizer.terminal import show_study, show_verification
from tests.optimizer.drawn_design import example_design, example_site
from tests.optimizer.drawn_study import example_alternative, example_study
from tests.optimizer.test_plan import words_of
from tests.optimizer.test_publish import SCENARIO

MORE = ("frontier_1.json", "network_A.inp", "network_B.inp")
DESIGN = example_design(example_site())


@pytest.fixture(scope="module")
def full_study() -> Study:
    """A study whose one alternative has everything that makes a file."""
    point = FrontierPoint(1000.0, 2000.0, 0.5, 9000.0, 700.0, 9000.0, 40, 300.0, 2100.0, DESIGN)
    return example_study(replace(example_alternative(DESIGN), frontier=(point,)))


@pytest.fixture(scope="module")
def written(full_study: Study, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every file of the study by its name."""
    folder = tmp_path_factory.mktemp("study")
    publish(full_study, SCENARIO, folder)
    return {path.name: path.read_bytes().decode("utf-8", "replace") for path in folder.rglob("*") if path.is_file()}


def test_every_kind_of_file_is_among_those_looked_at(written: dict[str, str]) -> None:
    assert set(written) == {STUDY_FILE, FRONTIER_FILE, *OPTION_FILES, *MORE}


def test_every_file_tells_every_caution(written: dict[str, str]) -> None:
    without = [(name, words) for name, text in written.items() for words in CAUTIONS if words not in text]
    assert not without


def test_what_is_drawn_shows_them_too(written: dict[str, str]) -> None:
    for name in ("plan.svg", "dosage.svg"):
        assert {f"•  {words}" for words in CAUTIONS} <= set(words_of(written[name]))
    for name in (FRONTIER_FILE, "tolerance.svg", "drift_rose.svg"):
        assert BRIEF in " ".join(words_of(written[name]))


def test_the_terminal_tells_them(full_study: Study) -> None:
    out = io.StringIO()
    console = Console(file=out, width=4000)
    show_study(full_study, "metric", console)
    assert all(words in out.getvalue() for words in CAUTIONS)
    broken = replace(DESIGN.verification, protection_faults=("cycles a day is 4, at most 3 (a label)",))
    show_verification(broken, (), "metric", console)
    assert BRIEF in out.getvalue() and "cycles a day is 4, at most 3 (a label)" in out.getvalue()


@pytest.mark.parametrize("word", ["label", "licensed applicators", "Local codes", "back-flow",
                                  "people", "pets", "food", "water", "pollinators", "neighbours"])  # fmt: skip
def test_the_cautions_name_whom_and_what_they_protect(word: str) -> None:
    assert word in " ".join(CAUTIONS)
