"""Filling of drained lines against closed forms and scipy's integrators; plug flow and blow-out by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from hydraulics.friction import GRAVITY_M_S2, pressure_gradient_pa_m
from hydraulics.network import Link, Node, NozzleAt, TreeNetwork, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import DeliveryCurve, Pump, pump_of
from hydraulics.start_up import blow_out_ends, fill, line_volumes_m3, transit_s
from hydraulics.steady_tree import solve_tree
from hydraulics.water import water_at
from tests.hydraulics.random_circuits import CURVE, random_circuit, with_reducers

WATER = water_at(20.0)
WEIGHT_PA_M = WATER.density_kg_m3 * GRAVITY_M_S2
DELIVERY = 2e-5
PUMP = Pump(15e5, DELIVERY, 20e5)


def section_m2(bore_m: float) -> float:
    return math.pi / 4 * bore_m**2


def tree(parts: list[tuple[str, str, float, float]], nozzles: dict[str, NozzleCurve], **z_m: float) -> TreeNetwork:
    """Links (from, to, length, bore) named after their end; heights 0 where not told."""
    names = ["n0", *(to for _, to, _, _ in parts)]
    links = [Link(to, start, to, length, bore, 1.5e-6) for start, to, length, bore in parts]
    fed = [NozzleAt(node, curve) for node, curve in nozzles.items()]
    return tree_network([Node(name, z_m.get(name, 0.0)) for name in names], links, fed, "n0")


def at(network: TreeNetwork, values: np.ndarray, name: str) -> float:
    return float(values[network.node_ids.index(name)])


def test_a_single_line_takes_volume_over_delivery() -> None:
    """V / Q: 40 m of 4 mm and 20 m of 6 mm, all of the delivery flows into them; its end nozzle opens when all is
    full."""
    network = tree([("n0", "a", 40.0, 0.004), ("a", "b", 20.0, 0.006)], {"b": CURVE})
    times = fill(network, PUMP, WATER)
    first = 40 * section_m2(0.004) / DELIVERY
    assert at(network, times.reached_s, "a") == pytest.approx(first, rel=1e-8)
    assert times.full_s == pytest.approx(first + 20 * section_m2(0.006) / DELIVERY, rel=1e-8)
    assert at(network, times.opened_s, "b") == times.full_s
    assert times.sprayed_m3 == 0.0
    assert line_volumes_m3(network).sum() == pytest.approx(40 * section_m2(0.004) + 20 * section_m2(0.006))


def test_lines_that_are_full_already_take_no_time() -> None:
    network = tree([("n0", "a", 40.0, 0.004), ("a", "b", 20.0, 0.006)], {"b": CURVE})
    full = np.array([name == "a" for name in network.node_ids])
    times = fill(network, PUMP, WATER, full=full)
    assert at(network, times.reached_s, "a") == 0.0
    assert times.full_s == pytest.approx(20 * section_m2(0.006) / DELIVERY, rel=1e-8)


def test_a_fork_of_equal_arms_shares_the_delivery() -> None:
    parts = [("n0", "a", 10.0, 0.006), ("a", "b", 30.0, 0.004), ("a", "c", 30.0, 0.004)]
    network = tree(parts, {"b": CURVE, "c": CURVE})
    times = fill(network, PUMP, WATER)
    trunk, arm = 10 * section_m2(0.006), 30 * section_m2(0.004)
    assert times.full_s == pytest.approx((trunk + 2 * arm) / DELIVERY, rel=1e-6)
    assert at(network, times.reached_s, "b") == pytest.approx(at(network, times.reached_s, "c"), rel=1e-6)


def test_a_laminar_fork_by_hand() -> None:
    """Laminar arms of 2 and 4 mm: loss = 128 mu q x / (pi D^4) is equal from the fork to both fronts, x = V / A, so
    q1 V1 / D1^6 = q2 V2 / D2^6, and with q = dV/dt, V1^2 / D1^6 = V2^2 / D2^6: V1 / V2 = (D1 / D2)^3 at all times, as
    the flows are. Of a delivery of 4.5 parts the thin arm takes 0.5."""
    slow = Pump(15e5, 4.5e-7, 20e5)
    network = tree([("n0", "thin", 1.0, 0.002), ("n0", "wide", 50.0, 0.004)], {"thin": CURVE, "wide": CURVE})
    times = fill(network, slow, WATER)
    assert at(network, times.reached_s, "thin") == pytest.approx(section_m2(0.002) / 0.5e-7, rel=2e-3)


def test_an_uneven_fork_against_scipy() -> None:
    """Arms of other bore and height: volumes by solve_ivp, the split at each moment by brentq."""
    arms = ((45.0, 0.003, 2.0), (30.0, 0.005, -1.5))
    network = tree([("n0", "a", arms[0][0], arms[0][1]), ("n0", "b", arms[1][0], arms[1][1])],
                   {"a": CURVE, "b": CURVE}, a=arms[0][2], b=arms[1][2])  # fmt: skip

    def needs_pa(arm: tuple[float, float, float], flow: float, volume: float) -> float:
        length, bore, rise = arm
        x = volume / section_m2(bore)
        return float(pressure_gradient_pa_m(flow, bore, 1.5e-6, WATER)) * x + WEIGHT_PA_M * rise * x / length

    def rates(_: float, volumes: np.ndarray) -> list[float]:
        def apart(q: float) -> float:
            return needs_pa(arms[0], q, volumes[0]) - needs_pa(arms[1], DELIVERY - q, volumes[1])

        if apart(0.0) >= 0:
            return [0.0, DELIVERY]
        if apart(DELIVERY) <= 0:
            return [DELIVERY, 0.0]
        share = float(brentq(apart, 0.0, DELIVERY, xtol=1e-16))
        return [share, DELIVERY - share]

    def is_full(_: float, volumes: np.ndarray) -> float:
        return min(length * section_m2(bore) - v for (length, bore, _), v in zip(arms, volumes, strict=True))

    is_full.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(rates, (0.0, 200.0), [1e-9, 1e-9], events=is_full, rtol=1e-8, atol=1e-14, max_step=0.25)
    times = fill(network, PUMP, WATER)
    assert float(times.reached_s[1:].min()) == pytest.approx(float(found.t_events[0][0]), rel=0.01)


def test_a_nozzle_on_the_way_opens_and_takes_its_share() -> None:
    """Ends shut: the air ahead stands at the closing pressure, so a nozzle opens when water reaches it, by its curve at
    p0 + what the line beyond loses: by hand the front then moves with Q - q. One long arm behind one nozzle, integrated
    by solve_ivp."""
    network = tree([("n0", "a", 5.0, 0.004), ("a", "b", 60.0, 0.004)], {"a": CURVE, "b": CURVE})
    small = Pump(15e5, 6e-6, 20e5)

    def rate(_: float, x: np.ndarray) -> list[float]:
        def over(q: float) -> float:
            loss = float(pressure_gradient_pa_m(q, 0.004, 1.5e-6, WATER)) * x[0]
            return q + float(CURVE.flow_m3_s(CURVE.p0_pa + loss)) - small.delivery_m3_s

        return [brentq(over, 0.0, small.delivery_m3_s, xtol=1e-18) / section_m2(0.004)]

    def full(_: float, x: np.ndarray) -> float:
        return 60.0 - x[0]

    full.terminal = True  # type: ignore[attr-defined]
    found = solve_ivp(rate, (0.0, 1e4), [1e-6], events=full, rtol=1e-9, atol=1e-9, max_step=1.0)
    times = fill(network, small, WATER, front_pa=CURVE.p0_pa)
    reaches = 5 * section_m2(0.004) / small.delivery_m3_s
    assert at(network, times.opened_s, "a") == pytest.approx(reaches, rel=1e-6)
    assert times.full_s == pytest.approx(reaches + float(found.t_events[0][0]), rel=0.01)
    given_m3 = small.delivery_m3_s * times.full_s - line_volumes_m3(network).sum()
    assert times.sprayed_m3 == pytest.approx(given_m3, rel=1e-6)


def test_a_line_that_the_pump_cannot_lift_to_stays_empty() -> None:
    """A riser of 200 m needs 19.6 bar (0.0979 bar a metre), the pump holds 15."""
    network = tree([("n0", "a", 5.0, 0.004), ("a", "top", 200.0, 0.004)], {"a": CURVE, "top": CURVE}, top=200.0)
    times = fill(network, PUMP, WATER)
    assert math.isinf(at(network, times.reached_s, "top")) and math.isinf(times.full_s)
    assert at(network, times.opened_s, "a") < math.inf


def test_a_falling_pump_fills_as_fast_as_it_delivers() -> None:
    """At the low pressure of filling a wide line it delivers what its first point tells."""
    curve = DeliveryCurve((2e5, 15e5), (4e-5, 2e-5))
    network = tree([("n0", "a", 20.0, 0.02)], {"a": CURVE})
    times = fill(network, pump_of(15e5, curve, 20e5), WATER)
    assert times.full_s == pytest.approx(20 * section_m2(0.02) / 4e-5, rel=1e-9)


@settings(deadline=None, max_examples=6, derandomize=True)
@given(seed=st.integers(0, 10_000), shut=st.booleans(), reduced=st.booleans())
def test_what_the_pump_gives_is_in_the_lines_or_sprayed(seed: int, shut: bool, reduced: bool) -> None:
    """Mass: delivery x time = volume + sprayed, while the pump is at its delivery; nothing opens before it is reached,
    nothing is reached before what leads to it; in the end all that the steady state opens is open."""
    circuit = random_circuit(seed, most_nodes=40)
    network = (with_reducers(circuit, seed, 0.2, 8e5, 12e5) if reduced else circuit).network()
    small = Pump(15e5, 3e-6, 20e5)
    times = fill(network, small, WATER, front_pa=CURVE.p0_pa if shut else 0.0)
    if math.isinf(times.full_s):
        return
    assert np.all(times.opened_s >= times.reached_s)
    assert np.all(times.reached_s[1:] >= times.reached_s[network.parent[1:]])
    given_m3 = small.delivery_m3_s * times.full_s
    assert given_m3 == pytest.approx(float(line_volumes_m3(network).sum()) + times.sprayed_m3, rel=1e-5)
    steady = solve_tree(network, small, WATER)
    assert np.all(np.isfinite(times.opened_s[steady.open]))


def test_a_change_of_product_in_series_and_behind_a_fork() -> None:
    """Plug flow by hand: 10 m and 20 m, 4 and 1 units of flow; a branch that passes nothing is never changed."""
    parts = [("n0", "a", 10.0, 0.004), ("a", "b", 20.0, 0.004), ("a", "c", 20.0, 0.004), ("a", "d", 0.0, 0.004)]
    network = tree(parts, {"b": CURVE, "c": CURVE})
    flow = {"n0": 4e-6, "a": 4e-6, "b": 1e-6, "c": 0.0, "d": 0.0}
    found = transit_s(network, np.array([flow[name] for name in network.node_ids]))
    metre = section_m2(0.004)
    assert at(network, found, "a") == pytest.approx(10 * metre / 4e-6)
    assert at(network, found, "b") == pytest.approx(10 * metre / 4e-6 + 20 * metre / 1e-6)
    assert math.isinf(at(network, found, "c"))
    assert at(network, found, "d") == at(network, found, "a")


def test_ends_are_blown_out_the_longest_way_first_and_clear_all() -> None:
    """By hand: n0-a 10 m, a-b 30 m, a-c 20 m, c-d 5 m: b first with 40 m of line, then d with 25 m."""
    parts = [("n0", "a", 10.0, 0.004), ("a", "b", 30.0, 0.004), ("a", "c", 20.0, 0.004), ("c", "d", 5.0, 0.004)]
    network = tree(parts, {"b": CURVE, "c": CURVE})
    ends = blow_out_ends(network)
    assert [end.node for end in ends] == ["b", "d"]
    assert [end.clears_m3 for end in ends] == pytest.approx([40 * section_m2(0.004), 25 * section_m2(0.004)])
