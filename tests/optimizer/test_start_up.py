"""How circuits start: by hand on a small design, and told in words, in study.json and in a table."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.appraisal.dirty_filter import DIRTY_TIMES
from optimizer.appraisal.running import running
from optimizer.appraisal.start_up import CircuitStart, circuit_starts
from optimizer.catalogue import read_catalogue
from optimizer.design import MANIFOLD, Design, Link, Misting, Node
from optimizer.errors import InputFaults
from optimizer.instance import Instance, candidates, instance
from optimizer.report.start_up_table import COLUMNS, start_up_csv
from optimizer.scenario import read_scenario
from optimizer.verify import circuit_states, settled
from tests.optimizer.scenario_files import CATALOGUE, EQUIPPED, SCENARIO, SERVICE, swapped, yard
from tests.optimizer.small_designs import BAND_PA, two_circuits

METRE_L = math.pi / 4 * 0.004**2 * 1000  # litres in a metre of the small design's tubing


@pytest.fixture(scope="module")
def posed(tmp_path_factory: pytest.TempPathFactory) -> Instance:
    folder = yard(tmp_path_factory.mktemp("yard"), scenario=SCENARIO + SERVICE, catalogue=EQUIPPED)
    scenario = read_scenario(folder)
    option = scenario.options[0]
    return instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))


def with_unit(cycle_s: float | None = None, manifold_k: float = 5.0) -> Design:
    """The small design behind a manifold for each circuit, and with a cycle."""
    design = two_circuits()
    links, nodes = list(design.links), list(design.nodes)
    for circuit in ("C1", "C2"):
        i = next(i for i, link in enumerate(links) if link.id == f"{circuit}-L0")
        out = f"{circuit}-out"
        nodes.append(Node(out, 0.0, 0.0, 1.0))
        links[i] = replace(links[i], from_=out)
        inside = (f"{circuit}-M", "P1", out, circuit, f"{circuit}-T", MANIFOLD)
        links.append(Link(*inside, 0.0125, 1.5e-6, 0.3, manifold_k))
    misting = () if cycle_s is None else tuple(Misting(c, "always", 2, cycle_s) for c in ("C1", "C2"))
    pumps = (replace(design.pumps[0], type="P1"),)
    changed = replace(design, links=tuple(links), nodes=tuple(nodes), pumps=pumps, misting=misting)
    return settled(changed, BAND_PA)


def first(posed: Instance, design: Design) -> CircuitStart:
    return circuit_starts(posed, design)[0]


def test_what_the_lines_hold_by_hand(posed: Instance) -> None:
    """Four links of 12 m; the manifold inside the unit is full and counts for nothing."""
    start = first(posed, with_unit())
    assert start.litres == pytest.approx(48 * METRE_L, rel=1e-9)
    (line,) = start.lines[:1]
    assert (line.run, line.nozzles) == ("C1-R1", 4)
    assert sum(own.litres for own in start.lines) == pytest.approx(start.litres)
    assert start.cycle_s is None and start.change_cycles is None and start.litres_a_cycle is None


def test_a_row_fills_by_hand_between_what_it_must_take(posed: Instance) -> None:
    """The first nozzle opens as water comes to it, after V / Q of the first link; the last after all is full: later
    than V / Q, for open nozzles spray meanwhile; what they spray is the difference."""
    design = with_unit()
    start, delivery = first(posed, design), design.pumps[0].capacity_m3_s
    assert start.first_open_s == pytest.approx(12 * METRE_L / 1000 / delivery, rel=1e-3)
    assert start.last_nozzle == "N004" and start.last_open_s == start.full_s
    assert start.full_s is not None and start.full_s > start.litres / 1000 / delivery
    assert start.sprayed_litres == pytest.approx(1000 * delivery * start.full_s - start.litres, rel=1e-5)


def test_a_change_of_product_by_hand(posed: Instance) -> None:
    """Plug flow: each link of 12 m passes what the nozzles behind it take; cycles of 30 s, rounded up."""
    design = with_unit(30.0)
    state = circuit_states(design)[0]
    flows = [state.flow_m3_s[f"N00{i}"] for i in range(1, 5)]
    inside = math.pi / 4 * 0.0125**2 * 0.3 / sum(flows)
    seconds = inside + sum(12 * METRE_L / 1000 / sum(flows[i:]) for i in range(4))
    start = first(posed, design)
    assert start.change_nozzle == "N004"
    assert start.change_s == pytest.approx(seconds, rel=1e-9)
    assert start.change_cycles == math.ceil(seconds / 30.0)
    assert start.litres_a_cycle == pytest.approx(30.0 * sum(flows) * 1000)
    last_link = 12 * METRE_L
    assert last_link > 30.0 * flows[3] * 1000  # a leg holds more than it sprays in a cycle
    assert f"a change of product comes to N004 in cycle {start.change_cycles}" in start.words


def test_a_shared_main_passes_what_both_circuits_take(posed: Instance) -> None:
    """A main of 12 m before both circuits is changed by their flows together, a round of equal cycles."""
    design = with_unit(30.0)
    main = Link("P1-M1", "P1", "box", "C1", "P1-M", "T4", 0.004, 1.5e-6, 12.0, 0.5, shared=("C1", "C2"))
    links = (main, *(replace(link, from_="box") if link.from_ == "P1" else link for link in design.links))
    shared = settled(replace(design, links=links, nodes=(*design.nodes, Node("box", 1.0, 0.0, 1.0))), BAND_PA)
    one, other = circuit_states(shared)
    alone = first(posed, shared)
    flows = [one.flow_m3_s[f"N00{i}"] for i in range(1, 5)]
    inside = math.pi / 4 * 0.0125**2 * 0.3 / sum(flows)
    behind = inside + sum(12 * METRE_L / 1000 / sum(flows[i:]) for i in range(4))
    in_main = 12 * METRE_L / 1000 / (one.net_flow_m3_s + other.net_flow_m3_s)
    assert alone.change_s == pytest.approx(behind + in_main, rel=1e-9)


def test_a_last_nozzle_that_opens_after_a_cycle_is_a_fault(posed: Instance) -> None:
    late, early = first(posed, with_unit(30.0)), first(posed, with_unit(600.0))
    assert late.last_open_s is not None and 30.0 < late.last_open_s < 600.0
    (said,) = late.faults
    assert f"opens after {late.last_open_s:.0f} s of a cycle of 30 s" in said
    assert early.faults == ()


def test_a_dirty_filter_by_hand(posed: Instance) -> None:
    """F1 loses 0.2 bar at 4 L/min: at the circuit's flow (flow / 4 L/min)^2 of it, three times that where its maker
    says nothing. The worst nozzle loses the difference, but for the little that flows fall."""
    design = with_unit()
    loss = first(posed, design).filter
    flow = circuit_states(design)[0].net_flow_m3_s
    clean = 0.2e5 * (flow / (4e-3 / 60)) ** 2
    assert loss.clean_pa == pytest.approx(clean, rel=1e-12)
    assert (loss.dirty_pa, loss.stated) == (pytest.approx(DIRTY_TIMES * clean), False)
    assert loss.clean_min_pa == pytest.approx(design.verification.min_pressure_pa, rel=1e-9)
    assert loss.clean_min_pa - loss.dirty_min_pa == pytest.approx((DIRTY_TIMES - 1) * clean, rel=0.1)


def test_a_filter_may_get_as_dirty_as_the_band_lets_it(posed: Instance) -> None:
    """With as much loss as is allowed, put into the manifold by hand as K = loss / (rho v^2 / 2), the worst nozzle
    stands at the band's low edge."""
    design = with_unit()
    loss, flow = first(posed, design).filter, circuit_states(design)[0].net_flow_m3_s
    assert loss.allowed_pa is not None and loss.allowed_pa > loss.dirty_pa
    velocity = flow / (math.pi / 4 * 0.0125**2)
    more = (loss.allowed_pa - loss.clean_pa) / (design.water.density_kg_m3 * velocity**2 / 2)
    lowest = min(circuit_states(with_unit(manifold_k=5.0 + more))[0].pressure_pa.values())
    assert lowest == pytest.approx(BAND_PA[0], rel=1e-4)


def test_a_filter_that_takes_a_nozzle_out_of_the_band_is_a_fault(tmp_path: Path) -> None:
    dirty = swapped(EQUIPPED, 'name = "F1"', 'name = "F1"\ndirty = "500 bar"')
    scenario = read_scenario(yard(tmp_path, scenario=SCENARIO + SERVICE, catalogue=dirty))
    option = scenario.options[0]
    asked = instance(scenario, option, candidates(scenario, scenario.nozzle_of(option)))
    start = first(asked, settled(with_unit(), (14e5, 16e5)))
    assert start.filter.stated and start.filter.below_band
    (said,) = start.faults
    assert "dirty filter F1" in said and "below the band" in said and "change it at" in said


def test_a_filter_that_gets_better_with_dirt_is_refused(tmp_path: Path) -> None:
    (tmp_path / "shop.toml").write_text(swapped(CATALOGUE, 'name = "F1"', 'name = "F1"\ndirty = "0.1 bar"'))
    with pytest.raises(InputFaults, match="loses less dirty than clean"):
        read_catalogue(tmp_path / "shop.toml")


def test_what_drained_lines_cost_by_hand(posed: Instance) -> None:
    """One part in 200 concentrate at 90 a litre, the rest water at 2 a m3."""
    start = first(posed, with_unit())
    assert start.refill_cost == pytest.approx(start.litres / 200 * 90 + start.litres * 199 / 200 * 2e-3, rel=1e-9)


def test_blow_out_by_hand(posed: Instance) -> None:
    """Boyle: free air at the closing pressure of 5.5 bar is (5.5 + 1.01325) / 1.01325 times the lines' volume. The fork
    of C2 has two ends, all of whose water goes once."""
    one, fork = circuit_starts(posed, with_unit())
    assert one.blow_out_pa == 5.5e5
    assert one.blow_out_litres == pytest.approx(one.litres * 6.51325 / 1.01325, rel=1e-6)
    ends = [end for line in fork.lines for end in line.ends]
    assert sorted(order for order, _, _ in ends) == [1, 2]
    inside = math.pi / 4 * 0.0125**2 * 0.3 * 1000
    assert sum(litres for _, _, litres in ends) == pytest.approx(fork.litres + inside, rel=1e-9)


def test_it_stands_in_the_figures_and_the_table(posed: Instance) -> None:
    found = running(posed, with_unit(30.0))
    figures = json.loads(json.dumps(found.figures(), allow_nan=False))
    assert [start["circuit"] for start in figures["start_up"]] == ["C1", "C2"]
    assert set(found.starts[0].faults) <= set(found.remarks())
    rows = list(csv.reader(io.StringIO(start_up_csv(found.starts))))
    assert tuple(rows[0]) == COLUMNS and all(len(row) == len(COLUMNS) for row in rows)
    runs = [row for row in rows if row[1]][1:]
    assert [row[1] for row in runs] == ["C1-R1", "C2-R1"]
    assert any("keep the air below 5.5 bar" in row[0] for row in rows)


def test_a_circuit_that_feeds_nothing_is_left_out(posed: Instance) -> None:
    design = with_unit()
    idle = replace(design, nozzles=tuple(one for one in design.nozzles if one.circuit == "C1"))
    assert [start.circuit for start in circuit_starts(posed, idle)] == ["C1"]
