"""A nozzle that mists two zones may mist only when both may: by hand on a straight line along two zones."""

from __future__ import annotations

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from optimizer.instance import Candidates, candidates
from optimizer.progress import never, silent
from optimizer.scenario import read_scenario
from optimizer.study import StudySettings, study
from tests.optimizer.scenario_files import EQUIPPED, SCENARIO, SERVICE, SITE, faults, swapped, yard


def along(folder: Path, hours: str) -> Candidates:
    """West of x = 10 m one may mist from 22 to 2, east of it at the hours given; reach 3 m, line from x = 2 to 18."""
    site: dict[str, Any] = deepcopy(SITE)
    west = site["features"].pop(1)
    for name, x0, x1, schedule in (("West", 1, 10, "late"), ("East", 10, 19, "other")):
        zone = deepcopy(west)
        zone["geometry"]["coordinates"] = [[[x0, 1], [x1, 1], [x1, 9], [x0, 9], [x0, 1]]]
        zone["properties"] |= {"name": name, "schedule": schedule}
        site["features"].append(zone)
    text = SCENARIO + f'\n[[schedule]]\nname = "other"\nhours = ["{hours}"]\n'
    scenario = read_scenario(yard(folder, scenario=text, site=site))
    return candidates(scenario, scenario.nozzle_of(scenario.options[0]))


@pytest.mark.parametrize(
    ("hours", "between"),
    [("23:00-01:00", "other"), ("20:00-04:00", "late"), ("22:00-02:00", "either"), ("06:00-08:00", "none")],
)
def test_both_zones_must_allow_the_hours(hours: str, between: str, tmp_path: Path) -> None:
    found = along(tmp_path, hours)
    group = {round(float(x), 3): found.groups[g] for x, g in zip(found.x_m, found.group, strict=True)}
    assert {group[x] for x in (2.0, 4.5, 6.5)} == {"late"}
    assert {group[x] for x in (13.5, 16.0, 18.0)} == {"other"}
    middle = [group.get(x) for x in (7.5, 9.5, 10.0, 12.5)]
    if between == "either":
        assert None not in middle
    else:
        assert set(middle) == {None if between == "none" else between}


def test_a_schedule_may_mist_at_cycles_of_its_own(tmp_path: Path) -> None:
    """2 cycles of 30 s instead of the service's 4 of 45 s: a minute's flow a day, at 22:00 and 2 h later."""
    text = swapped(SCENARIO, 'name = "late"', 'name = "late"\ncycles_per_day = 2\ncycle = "30 s"') + SERVICE
    scenario = read_scenario(yard(tmp_path, scenario=text, catalogue=EQUIPPED))
    (one, _) = study(scenario, StudySettings(workers=1), silent, never).alternatives
    assert one.flow_m3_s is not None and one.operation is not None and one.operation.fits
    assert one.litres_a_day == pytest.approx(60e3 * one.flow_m3_s)
    (circuit,) = one.operation.pumps[0].circuits
    assert (circuit.cycles_per_day, circuit.cycle_s, circuit.starts) == (2, 30.0, ("22:00:00", "00:00:00"))
    assert circuit.litres_a_day == pytest.approx(one.litres_a_day)


def test_cycles_of_a_schedule_need_a_service(tmp_path: Path) -> None:
    text = swapped(SCENARIO, 'name = "late"', 'name = "late"\ncycles_per_day = 2')
    (fault,) = faults(yard(tmp_path, scenario=text))
    assert fault.startswith("scenario.toml: schedule[0].cycles_per_day: needs a table [service] in scenario.toml")


@pytest.mark.parametrize(("hours", "short"), [("22:00-22:05", "1"), ("22:00-22:06", None)])
def test_circuits_that_must_follow_each_other_need_time_for_all(hours: str, short: str | None, tmp_path: Path) -> None:
    """Two circuits with 4 cycles of 45 s each are 6 minutes on the pump."""
    text = swapped(SCENARIO, "22:00-02:00", hours) + SERVICE
    found = faults(yard(tmp_path, scenario=text, catalogue=EQUIPPED))
    said = "scenario.toml: option[1].circuits: makes 6 minutes of mist a day on a pump, one circuit after the other"
    assert [fault.startswith(f"{said}, {short} more than its hours hold") for fault in found] == [True] * bool(short)
