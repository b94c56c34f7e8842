"""The demo on a slope: relief, a crossing, two schedules, pump units from a range, service of metered product."""

from __future__ import annotations

import csv
import json
from collections import Counter
from itertools import pairwise
from pathlib import Path

import pytest

from optimizer.design import read_design
from optimizer.progress import never, silent
from optimizer.publish import publish
from optimizer.scenario import Scenario, read_scenario
from optimizer.study import Alternative, Study, StudySettings, study
from optimizer.verify import discrepancies
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.optimizer.expected_figures import differences

FOLDER = Path(__file__).resolve().parents[2] / "scenarios" / "hill_camp"

pytestmark = pytest.mark.xdist_group("hill camp")


@pytest.fixture(scope="module")
def scenario() -> Scenario:
    return read_scenario(FOLDER)


@pytest.fixture(scope="module")
def answered(scenario: Scenario) -> Study:
    return study(scenario, StudySettings(workers=2), silent, never)


@pytest.fixture(scope="module")
def out(scenario: Scenario, answered: Study, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("hill_camp")
    publish(answered, scenario, found)
    return found


def _designed(answered: Study) -> list[Alternative]:
    return [one for one in answered.alternatives if one.design is not None]


def test_figures_are_the_expected_ones(answered: Study) -> None:
    assert differences(FOLDER, answered) == []


def test_the_ground_falls_and_a_gully_crosses_a_line(scenario: Scenario) -> None:
    """More than 10 m from the shed to the lowest line, and a line whose lowest point lies between its ends."""
    site = scenario.site
    shed = next(place for place in site.pump_sites if place.name == "Hill shed")
    lines = {line.name: line.ground_m for line in site.lines}
    assert shed.elevation_m - min(min(ground) for ground in lines.values()) > 10
    upper = lines["Upper fence"]
    assert min(upper) < min(upper[0], upper[-1]) - 3


def test_pressures_are_those_of_another_engine(out: Path) -> None:
    """The EPANET 2.3 engine on the written files, within 0.1 %: relief is where signs go wrong."""
    for path in sorted(out.glob("*/design.json")):
        assert discrepancies(read_design(path)) == ()
        file = json.loads(path.read_text(encoding="utf-8"))
        for pump, circuit in [(one, name) for one in file["pumps"] for name in one["circuits"]]:
            nozzles = [nozzle for nozzle in file["nozzles"] if nozzle["circuit"] == circuit]
            found = pressures_by_epanet(
                file["nodes"],
                [link for link in file["links"] if circuit in (link["circuit"], *link["shared"])],
                nozzles,
                supply=pump["node"],
                supply_pressure_pa=pump["set_pressure_pa"],
                nozzle=file["nozzle"],
                water=file["water"],
            )
            for nozzle in nozzles:
                assert nozzle["pressure_pa"] == pytest.approx(found[nozzle["node"]], rel=1e-3)


def test_no_circuit_mists_two_schedules(answered: Study, scenario: Scenario) -> None:
    """The thicket mists at dawn, all else in the evening: the posts at the thicket never share a circuit."""
    for one in _designed(answered):
        assert one.design is not None
        dawn = {nozzle.circuit for nozzle in one.design.nozzles if nozzle.line == "Thicket posts"}
        evening = {nozzle.circuit for nozzle in one.design.nozzles if nozzle.line in ("Upper fence", "Kitchen eaves")}
        assert dawn and evening and not dawn & evening


def test_tubing_over_the_lane_pays_for_its_sleeve(answered: Study) -> None:
    """One pump on the hill must cross to reach the tents below."""
    one = next(item for item in answered.alternatives if item.option == "one_pump")
    sleeves = [line for line in one.quantities if line.item.startswith("sleeve")]
    assert [(line.item, line.amount) for line in sleeves] == [("sleeve of Lane crossing", 260.0)]


def test_service_is_told_in_file_and_figures(answered: Study, out: Path) -> None:
    """2 cycles of 45 s a day for 4 x 130 days: litres a day are 90 s x the flow, concentrate is 1 part in 250."""
    told = {one["option"]: one for one in json.loads((out / "study.json").read_text())["alternatives"]}
    for one in _designed(answered):
        figures = told[one.option]
        assert figures["litres_a_day"] == pytest.approx(90e3 * figures["flow_m3_s"])
        rows = list(csv.DictReader((out / one.option / "service.csv").open(newline="", encoding="utf-8")))
        concentrate = next(row for row in rows if row["item"] == "concentrate")
        litres = 4 * 130 * figures["litres_a_day"] / 250
        assert float(concentrate["quantity"]) == pytest.approx(litres, abs=1e-3)
        total = next(row["amount"] for row in rows if row["item"] == "Total")
        assert float(total) == pytest.approx(figures["service_cost"], abs=0.05)


def test_a_main_pays_for_wire_and_a_box(answered: Study) -> None:
    """Valves stand in the field where that is cheaper. The links that one circuit shares with the other are the main:
    wire lies along it, one box holds both valves, and its tubing is paid once."""
    one = next(item for item in answered.alternatives if item.option == "one_pump_valves_in_field")
    assert one.design is not None
    bill = {line.item: line.quantity for line in one.quantities}
    main_m = sum(link.length_m for link in one.design.links if link.shared and link.tubing != "manifold")
    if main_m == 0:
        assert "wire" not in bill and "valve box" not in bill
    else:
        assert (bill["wire"], bill["valve box"]) == (pytest.approx(main_m), 1)
    laid_m = sum(link.length_m for link in one.design.links if link.tubing != "manifold")
    assert sum(quantity for item, quantity in bill.items() if item.startswith("tubing")) == pytest.approx(laid_m)


def test_runs_keep_their_rules(answered: Study, scenario: Scenario) -> None:
    """Counted from the links: metres from the pump, or from the end of the main, to every node; nozzles by run."""
    longest, most = scenario.rules.run_longest_m, scenario.rules.run_nozzles_most
    assert longest is not None and most is not None
    for one in _designed(answered):
        assert one.design is not None
        far = {pump.node: 0.0 for pump in one.design.pumps}
        for link in one.design.links:  # parents before children
            own_m = 0.0 if link.shared or link.tubing == "manifold" else link.length_m
            far[link.to] = far[link.from_] + own_m
        assert max(far.values()) <= longest
        assert max(Counter((nozzle.circuit, nozzle.run) for nozzle in one.design.nozzles).values()) <= most


def test_circuits_open_in_turn_within_their_hours(answered: Study, out: Path) -> None:
    """Read from schedule.csv: dawn is 05:00 to 07:00, evening 17:30 to 22:30, 45 s each, twice a day."""
    for one in _designed(answered):
        assert one.design is not None
        with (out / one.option / "schedule.csv").open(newline="", encoding="utf-8") as file:
            rows = [row for row in csv.DictReader(file) if row["start"]]
        assert Counter((row["circuit"], row["cycle"]) for row in rows) == Counter(
            (circuit, cycle) for pump in one.design.pumps for circuit in pump.circuits for cycle in ("1", "2")
        )
        for pump in {row["pump"] for row in rows}:
            taken = sorted((row["start"], row["schedule"]) for row in rows if row["pump"] == pump)
            at_s = [sum(int(part) * unit for part, unit in zip(start.split(":"), (3600, 60, 1), strict=True))
                    for start, _ in taken]  # fmt: skip
            assert all(later - before >= 45 for before, later in pairwise(at_s))
            hours = {"dawn": (5.0, 7.0), "evening": (17.5, 22.5)}
            for second, (_, schedule) in zip(at_s, taken, strict=True):
                assert hours[schedule][0] * 3600 <= second <= hours[schedule][1] * 3600 - 45
