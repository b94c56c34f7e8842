"""A limit that comes before any design is told apart from a site that has none."""

from __future__ import annotations

from pathlib import Path

from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.study import StudySettings, study

FIRST_LOOK = Path(__file__).resolve().parents[2] / "scenarios" / "first_look"


def test_no_time_at_all() -> None:
    settings = StudySettings(options=("one_pump",), time_limit_s=0.0, workers=1)
    (found,) = study(read_scenario(FIRST_LOOK), settings, silent, never).alternatives
    assert found.status in ("stopped", "verified", "unverified")
    assert found.time_limit_hit
    assert (found.design is None) == (found.reason is not None and found.status == "stopped")


def test_what_bounds_all_designs_bounds_those_of_this_count() -> None:
    settings = StudySettings(options=("one_pump",), time_limit_s=0.5, workers=1)
    (found,) = study(read_scenario(FIRST_LOOK), settings, silent, never).alternatives
    assert found.gap is None or found.gap_at_count is None or found.gap_at_count <= found.gap + 1e-12
