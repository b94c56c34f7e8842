"""Sampled states against the general solver, EPANET, closed forms and linear propagation of errors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from hydraulics import sampled
from hydraulics.chance import CUT
from hydraulics.errors import RangeError
from hydraulics.fittings import minor_loss_pa, minor_loss_slope_pa_s_m3
from hydraulics.friction import gradient_and_slope
from hydraulics.network import Link, Node, NozzleAt, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import DeliveryCurve, Pump, pump_of
from hydraulics.sampler import TOLERANCE, Circuit, Sampler, drifted
from hydraulics.steady_tree import solve_tree
from hydraulics.tolerance import SOURCES, Spread, Tolerances, wilson
from hydraulics.tornado import tornado
from hydraulics.water import Water, water_at
from tests.hydraulics.epanet_reference import pressures_by_epanet
from tests.hydraulics.random_circuits import SUPPLY, random_circuit, with_reducers

WATER = water_at(20.0)
SET_PA = 12e5
WIDE = Tolerances(
    nozzle_flow=Spread(-0.08, 0.08),
    bore_batch=Spread(-0.05, 0.03, "uniform"),
    bore_tube=Spread(-0.02, 0.02),
    roughness=Spread(-0.5, 2.0, "uniform"),
    minor_losses=Spread(-0.3, 0.5),
    water_temperature_c=Spread(5.0, 35.0, "uniform"),
    set_drift_pa=Spread(-4e4, 4e4, "uniform"),
    clogged_share=0.05,
    clogged_left=0.2,
    leak_chance=0.4,
    leak_m3_s=2e-6,
    leak_at_pa=12e5,
)


def sampler_of(seed: int, *, reducers: bool = False, deliver: float = 2.0, curve: bool = False) -> Sampler:
    """A random circuit on a pump that delivers so many times what it takes."""
    drawn = random_circuit(seed)
    network = (with_reducers(drawn, seed, 0.3, 9e5, 11e5) if reducers else drawn).network()
    takes = deliver * float(solve_tree(network, Pump(SET_PA, 1.0, 2e6), WATER).link_flow_m3_s[0])
    bent = DeliveryCurve((2e5, 9e5, 14e5), (1.4 * takes, 1.2 * takes, 1.2 * takes - 0.2 * takes * 5 / 3))
    return Sampler(Circuit(network, pump_of(SET_PA, bent, 14e5) if curve else Pump(SET_PA, takes, 14e5), WATER))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("kind", [{}, {"reducers": True}, {"deliver": 0.9}, {"deliver": 0.95, "curve": True}])
def test_every_sample_is_the_state_that_the_general_solver_gives(seed: int, kind: dict[str, float]) -> None:
    """To 1e-6 of the set pressure, reducers, leaks, clogged nozzles and a pump that cannot hold included."""
    sampler = sampler_of(seed, **kind)  # type: ignore[arg-type]
    states = sampler.drawn(WIDE, seed, 0, 20)
    pressure, net, residual, _ = sampler.solved(states)
    assert residual.max() <= TOLERANCE
    for s in range(20):
        state = solve_tree(*sampler.by_itself(states, s))
        np.testing.assert_allclose(pressure[s], state.pressure_pa[: sampler.order.size], atol=1e-6 * SET_PA)
        assert net[s] == pytest.approx(state.link_flow_m3_s[0], rel=1e-6)


def test_the_compiled_laws_are_those_of_friction_and_fittings() -> None:
    """Loss and slope of a link from laminar to rough flow, both ways, through `_prepare` and `_link`."""
    bore, length, rough, k = 4e-3, 7.0, 4e-5, 2.4
    nodes, link = [Node("a", 0.0), Node("b", 0.0)], Link("l", "a", "b", length, bore, rough, k)
    network = tree_network(nodes, [link], [NozzleAt("b", NozzleCurve("n", 1e-9, 0.0, 0.5))], "a")
    sampler = Sampler(Circuit(network, Pump(SET_PA, 1.0, 2e6), WATER))
    laws = np.zeros((5, 2))
    sampled._prepare(sampler.tree, sampler.as_drawn(1), 0, laws)
    for reynolds in (*np.geomspace(10, 1e6, 60), 1999.9, 2000.0, 3000.0, 4000.0, 4000.1):
        for flow in (1, -1) * np.array(reynolds * math.pi * bore * WATER.viscosity_pa_s / (4 * WATER.density_kg_m3)):
            loss, slope = sampled._link(*laws[:4, 1], k * laws[4, 1], flow)
            gradient, rise = gradient_and_slope(flow, bore, rough, WATER)
            fittings = (k, flow, bore, WATER.density_kg_m3)
            assert loss == pytest.approx(length * gradient + minor_loss_pa(*fittings), rel=1e-11)
            assert slope == pytest.approx(length * rise + minor_loss_slope_pa_s_m3(*fittings), rel=1e-11)


@pytest.mark.parametrize("seed", range(4))
def test_samples_agree_with_the_epanet_engine(seed: int) -> None:
    """The EPANET 2.3 engine: 5e-4 with its own constants, 1e-8 with ours."""
    drawn = random_circuit(seed)
    sampler = Sampler(Circuit(drawn.network(), Pump(SET_PA, 1.0, 14e5), WATER))
    closed = replace(WIDE, clogged_left=0.5, leak_chance=0.0)  # the engine has one exponent for all that flows out
    states = sampler.drawn(closed, seed, 0, 3)
    pressure, *_ = sampler.solved(states)
    for s in range(3):
        network, pump, water = sampler.by_itself(states, s)
        links = [
            {"id": f"l{i}", "from": network.node_ids[network.parent[i]], "to": network.node_ids[i],
             "length_m": network.length_m[i], "bore_m": network.bore_m[i], "roughness_m": network.roughness_m[i],
             "minor_k": network.minor_k[i]}
            for i in range(1, len(network.node_ids))
        ]
        nozzles = [{"node": name, "k": k} for name, k in zip(network.node_ids, network.nozzle_k, strict=True) if k > 0]
        given = dict(supply=SUPPLY, supply_pressure_pa=pump.set_pressure_pa, nozzle=drawn.nozzle,
                     water={"density_kg_m3": water.density_kg_m3, "viscosity_pa_s": water.viscosity_pa_s})
        for matched, tolerance in ((False, 5e-4), (True, 1e-8)):
            found = pressures_by_epanet(drawn.nodes, links, nozzles, matched=matched, **given)  # type: ignore[arg-type]
            told = np.array([found[name] for name in network.node_ids])
            np.testing.assert_allclose(pressure[s], told, rtol=tolerance)


def test_samples_do_not_depend_on_how_they_are_chunked() -> None:
    sampler = sampler_of(2)
    whole, pieces = (sampler.samples(WIDE, 11e5, 300, 5, chunk) for chunk in (300, 47))
    for name in ("lowest_pa", "highest_pa", "lowest_at", "set_pa", "supply_pa", "net_flow_m3_s", "residual", "below"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(pieces, name))
    other = sampler.samples(WIDE, 11e5, 300, 6)
    assert not np.array_equal(whole.lowest_pa, other.lowest_pa)


def test_one_source_left_out_leaves_the_other_draws_as_they_were() -> None:
    sampler = sampler_of(3)
    with_all, without = (sampler.drawn(some, 1, 0, 50) for some in (WIDE, WIDE.without("nozzle_flow")))
    np.testing.assert_array_equal(with_all.bore_m, without.bore_m)
    np.testing.assert_array_equal(with_all.leak_at, without.leak_at)
    assert not np.array_equal(with_all.nozzle_k, without.nozzle_k)


def test_nothing_that_differs_gives_the_circuit_as_drawn() -> None:
    sampler = sampler_of(4)
    found = sampler.samples(Tolerances(), 1.0, 3, 0)
    state = solve_tree(sampler.circuit.network, sampler.circuit.pump, WATER)
    lowest = state.pressure_pa[sampler.circuit.network.nozzle_k > 0].min()
    np.testing.assert_allclose(found.lowest_pa, lowest, rtol=1e-8)
    assert tornado(sampler, Tolerances()) == ()


# One nozzle of q = k (p - p0) at the end of one laminar tube: p = (S + R k p0) / (1 + R k), R = 128 mu L / (pi D^4)
# (Hagen-Poiseuille); p and all its derivatives by hand.
K_M3_S_PA, P0_PA, LENGTH_M, BORE_M = 1e-12, 4e5, 30.0, 2.2e-3


def single(bore_m: float = BORE_M, set_pa: float = SET_PA, k: float = K_M3_S_PA, water: Water = WATER) -> float:
    resistance = 128 * water.viscosity_pa_s * LENGTH_M / (math.pi * bore_m**4)
    return (set_pa + resistance * k * P0_PA) / (1 + resistance * k)


def single_sampler() -> Sampler:
    nodes = [Node("pump", 0.0), Node("end", 0.0)]
    link = Link("tube", "pump", "end", LENGTH_M, BORE_M, 0.0)
    nozzle = NozzleAt("end", NozzleCurve("invented, linear", K_M3_S_PA, P0_PA, 1.0))
    return Sampler(Circuit(tree_network(nodes, [link], [nozzle], "pump"), Pump(SET_PA, 1e-3, 2e6), WATER))


def test_tornado_of_one_laminar_tube_is_the_closed_form() -> None:
    ends = {one.source: one for one in tornado(single_sampler(), WIDE)}
    assert set(ends) == set(SOURCES)
    for source, low, high in (
        ("nozzle_flow", single(k=0.92 * K_M3_S_PA), single(k=1.08 * K_M3_S_PA)),
        ("bore_batch", single(0.95 * BORE_M), single(1.03 * BORE_M)),
        ("bore_tube", single(0.98 * BORE_M), single(1.02 * BORE_M)),
        ("roughness", single(), single()),
        ("water_temperature_c", single(water=water_at(5.0)), single(water=water_at(35.0))),
        ("set_drift_pa", single(set_pa=SET_PA - 4e4), single(set_pa=SET_PA + 4e4)),
        ("clogged", single(), single(k=0.2 * K_M3_S_PA)),
    ):
        assert ends[source].drawn_pa == pytest.approx(single(), rel=1e-8)
        assert (ends[source].at_low_pa, ends[source].at_high_pa) == pytest.approx((low, high), rel=1e-8)
    assert ends["bore_batch"].at_low_pa < ends["bore_batch"].at_high_pa
    assert ends["nozzle_flow"].at_low_pa > ends["nozzle_flow"].at_high_pa
    assert ends["leak"].at_high_pa < ends["leak"].drawn_pa


def test_small_tolerances_spread_as_linear_propagation_says() -> None:
    """JCGM 100:2008 (GUM), equation 10 (memory): u(p)^2 = sum of (dp/dx u(x))^2, derivatives by hand."""
    resistance = 128 * WATER.viscosity_pa_s * LENGTH_M / (math.pi * BORE_M**4)
    through = resistance * K_M3_S_PA
    by_share_of_r = -(SET_PA - P0_PA) * through / (1 + through) ** 2  # dp / dlnR = dp / dlnk; dlnR = -4 dlnD
    cut = stats.truncnorm(-CUT, CUT).std() / CUT  # of a normal spread's half width
    given = Tolerances(nozzle_flow=Spread(-0.01, 0.01), bore_tube=Spread(-0.004, 0.004),
                       bore_batch=Spread(-0.003, 0.003, "uniform"), set_drift_pa=Spread(-1e3, 1e3, "uniform"))
    parts = (by_share_of_r * 0.01 * cut, 4 * by_share_of_r * 0.004 * cut,
             4 * by_share_of_r * 0.003 / math.sqrt(3), 1e3 / math.sqrt(3) / (1 + through))
    found = single_sampler().samples(given, 1.0, 20_000, 1).lowest_pa
    assert found.mean() == pytest.approx(single(), abs=4 * found.std() / math.sqrt(20_000) + 1e-5 * SET_PA)
    assert found.std() == pytest.approx(math.hypot(*parts), rel=0.02)


def test_clogged_nozzles_and_leaks_are_as_frequent_as_stated() -> None:
    """Exact binomial limits of scipy; a leak is at every node but the supply."""
    sampler, count = sampler_of(5), 2000
    states = sampler.drawn(WIDE, 11, 0, count)
    left = states.nozzle_k[:, sampler.nozzles] / sampler.tree.nozzle_k[sampler.nozzles]
    clogged = int((left < 0.5).sum())
    assert stats.binomtest(clogged, left.size, WIDE.clogged_share).pvalue > 0.001
    leaks = states.leak_at[states.leak_at >= 0]
    assert stats.binomtest(leaks.size, count, WIDE.leak_chance).pvalue > 0.001
    assert set(leaks) == set(range(1, sampler.order.size))


def test_shared_parts_are_drawn_alike() -> None:
    """Two circuits that name the same tube, size and pump have the same bore there and the same drift."""
    one = single_sampler()
    parts = one.parts._replace(circuit=1, nozzle=one.parts.nozzle + 10)
    other = Sampler(replace(one.circuit, parts=parts))
    first, second = (sampler.drawn(WIDE, 0, 0, 20) for sampler in (one, other))
    np.testing.assert_array_equal(first.bore_m, second.bore_m)
    np.testing.assert_array_equal(first.set_pa, second.set_pa)
    assert not np.array_equal(first.nozzle_k, second.nozzle_k)


@pytest.mark.parametrize(("hits", "trials"), [(0, 50), (3, 50), (47, 50), (50, 50), (1800, 2000)])
def test_interval_is_scipys_wilson_interval(hits: int, trials: int) -> None:
    told = stats.binomtest(hits, trials).proportion_ci(0.95, method="wilson")
    assert wilson(hits, trials) == pytest.approx((told.low, told.high), abs=1e-7)


@pytest.mark.parametrize("share", [0.6, 0.9, 0.97])
def test_interval_holds_the_true_share_as_often_as_it_says(share: float) -> None:
    """Coverage summed exactly over the binomial distribution of 400 samples: 95 % within 1.5 points."""
    hits = np.arange(401)
    inside = [low <= share <= high for low, high in (wilson(int(n), 400) for n in hits)]
    assert float(stats.binom(400, share).pmf(hits)[inside].sum()) == pytest.approx(0.95, abs=0.015)


def test_tolerances_that_are_none_are_all_named() -> None:
    with pytest.raises(RangeError) as refusal:
        Tolerances(bore_batch=Spread(-1.0, 0.0), roughness=Spread(-1.1, 0.0), clogged_share=2.0, leak_at_pa=0.0,
                   water_temperature_c=Spread(5.0, 90.0))
    for word in ("bore_batch", "roughness", "clogged_share", "leak", "water"):
        assert word in str(refusal.value)


def test_drift_beyond_a_pumps_curve_goes_on_as_its_last_stretch() -> None:
    pump = pump_of(SET_PA, DeliveryCurve((10e5, 12.5e5), (2e-5, 1.5e-5)), 14e5, bypass_pa=12.2e5)
    moved = drifted(pump, 13e5)
    assert (moved.set_pressure_pa, moved.bypass_pa) == pytest.approx((13e5, 13.2e5))
    assert moved.delivery_m3_s == pytest.approx(1.4e-5)  # 0.2e-5 less for each bar
    back = drifted(pump, 11.5e5)
    assert back.delivery_m3_s == pytest.approx(1.7e-5) and back.bypass_pa == pytest.approx(11.7e5)
