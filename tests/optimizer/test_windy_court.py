"""The demo with neighbours on its lee side: a limit of drift is met, binds, and costs coverage that is told."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from optimizer.appraisal.mist_words import mist_remarks
from optimizer.appraisal.uncovered import DRIFTING
from optimizer.progress import never, silent
from optimizer.report.frontier import drift_svg
from optimizer.report.frontier_table import frontier_tables
from optimizer.scenario import read_scenario
from optimizer.study import Study, StudySettings, study
from tests.optimizer.expected_figures import differences

COURT = Path(__file__).parents[2] / "scenarios" / "windy_court"

pytestmark = pytest.mark.xdist_group("windy court")  # its study is made once


@pytest.fixture(scope="module")
def answered() -> Study:
    return study(read_scenario(COURT), StudySettings(workers=1, drift_frontier=3), silent, never)


def test_figures_are_those_expected(answered: Study) -> None:
    assert differences(COURT, answered) == []


def test_the_limit_is_met_and_its_cost_in_coverage_is_that_of_the_free_alternative(answered: Study) -> None:
    anywhere, calm = answered.alternatives
    assert anywhere.mist is not None and calm.mist is not None and calm.mist.calm.cost is not None
    limit = calm.mist.limits[0]
    assert limit.share <= limit.most < anywhere.mist.rose.over_boundary_most
    cost = calm.mist.calm.cost
    assert anywhere.objective_value is not None and calm.objective_value is not None
    assert cost.lost_m2 == pytest.approx(anywhere.objective_value - calm.objective_value, rel=0.02)
    said = next(remark for remark in mist_remarks(calm.mist) if remark.startswith("the limit of drift"))
    assert f"costs {cost.lost_m2:.1f} weighted m² of coverage" in said


def test_the_limit_binds_and_explains_ground_left_uncovered(answered: Study) -> None:
    calm = answered.alternatives[1]
    assert calm.explanation is not None and calm.appraisal is not None
    binding = {slack.at: slack for slack in calm.explanation.slacks if slack.rule == "drift_most"}
    assert binding["over the boundary"].binds and not binding["into Duck pond"].binds
    causes = [cause.cause for zone in calm.appraisal.uncovered for cause in zone.causes]
    assert DRIFTING in causes


def test_coverage_against_drift_is_drawn_and_listed(answered: Study) -> None:
    chart = drift_svg(answered)
    assert chart is not None and ElementTree.fromstring(chart).tag.endswith("svg") and "label is the law" in chart
    assert drift_svg(answered) == chart
    ((heading, columns, rows),) = frontier_tables(answered, "metric")
    assert "placement" in heading and len(rows) == 6 and all(len(row) == len(columns) for row in rows)
