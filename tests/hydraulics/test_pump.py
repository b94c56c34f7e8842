"""What a pump may be, what it delivers at which pressure, what it draws."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from hydraulics.errors import RangeError
from hydraulics.network import Link, Node, NozzleAt, tree_network
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import DeliveryCurve, Motor, Pump, power_drawn_w, pump_of, sustained_faults
from hydraulics.steady_tree import solve_tree
from hydraulics.water import water_at
from tests.hydraulics.random_circuits import random_circuit

PSI_PA = 6894.757293  # NIST SP 811
GPM_M3_S = 6.309020e-5  # NIST SP 811
HP_W = 745.699872  # 550 ft lbf/s, NIST SP 811 from memory
WATER = water_at(20.0)
FALLING = DeliveryCurve((5e5, 10e5, 20e5), (1.2e-4, 1.0e-4, 0.4e-4))  # invented


def test_a_pump_set_below_its_limit() -> None:
    """Common practice, no source: a pump that fails in sustained use above 275 psi is set to 250 psi."""
    assert Pump(250 * PSI_PA, 1e-4, 275 * PSI_PA).set_pressure_pa == pytest.approx(1.7237e6, rel=1e-4)
    assert sustained_faults(250 * PSI_PA, 275 * PSI_PA) == ()


def test_what_happens_above_the_limit_is_said() -> None:
    """The regulator holds 12 bar, but the bypass behind the pump opens at 19 bar only."""
    high = Pump(12e5, 1e-4, 18e5, bypass_pa=19e5)
    (said,) = sustained_faults(high.opens_pa, high.limit_pa)
    assert "works at 19.00 bar" in said and "18.00 bar" in said and "fail early" in said
    (shed,) = sustained_faults(12e5, 18e5, 11e5)
    assert "relief valve opens" in shed and "11.00 bar" in shed
    assert sustained_faults(17e5, 18e5, 19e5) == ()


@pytest.mark.parametrize(("set_pa", "delivery", "limit_pa", "said"), [
    (3e6, 1e-4, 2e6, "pump: set pressure 3e+06 Pa is above the limit of 2e+06 Pa"),
    (0.0, 1e-4, 2e6, "set pressure 0 Pa, give one above 0"),
    (1e6, -1e-4, 2e6, "delivery -0.0001 m3/s, give one above 0"),
    (1e6, math.nan, 2e6, "delivery nan m3/s"),
    (1e6, 1e-4, math.nan, "above the limit of nan Pa"),
    (-1.0, 0.0, 2e6, "set pressure -1 Pa, give one above 0; delivery 0 m3/s, give one above 0"),
])
def test_refuses_what_no_pump_does(set_pa: float, delivery: float, limit_pa: float, said: str) -> None:
    with pytest.raises(RangeError) as error:
        Pump(set_pa, delivery, limit_pa)
    assert said in str(error.value)


@pytest.mark.parametrize(("delivery", "bypass_pa", "relief_pa", "said"), [
    (1e-4, 9e5, None, "the bypass opens at 900000 Pa, below the set pressure 1e+06 Pa"),
    (1e-4, 21e5, None, "works at 2.1e+06 Pa, above the curve's last point at 2e+06 Pa"),
    (1e-4, None, 0.0, "relief 0 Pa"),
    (1.1e-4, None, None, "delivery 0.00011 m3/s, where the curve tells 0.0001 m3/s"),
])
def test_refuses_pressures_that_do_not_go_together(
    delivery: float, bypass_pa: float | None, relief_pa: float | None, said: str
) -> None:
    with pytest.raises(RangeError) as error:
        Pump(10e5, delivery, 30e5, FALLING, bypass_pa, relief_pa)
    assert said in str(error.value)


@pytest.mark.parametrize(("pressures_pa", "deliveries_m3_s", "said"), [
    ((1e5,), (1e-4,), "1 pressures and 1 deliveries"),
    ((1e5, 1e5), (1e-4, 1e-4), "give rising pressures"),
    ((1e5, 2e5), (1e-4, 2e-4), "give deliveries that fall"),
    ((1e5, math.nan), (1e-4, 1e-4), "pressure nan Pa"),
    ((1e5, 2e5), (1e-4, -1e-4), "delivery -0.0001 m3/s"),
])
def test_refuses_what_is_no_delivery_curve(
    pressures_pa: tuple[float, ...], deliveries_m3_s: tuple[float, ...], said: str
) -> None:
    with pytest.raises(RangeError) as error:
        DeliveryCurve(pressures_pa, deliveries_m3_s)
    assert said in str(error.value)


def test_a_curve_is_linear_between_its_points_and_ends_at_them() -> None:
    """By hand: 1.0 to 0.4 over 10 bar is 0.06e-4 m3/s a bar."""
    assert FALLING.delivery_m3_s(15e5) == pytest.approx(0.7e-4, rel=1e-12)
    assert FALLING.delivery_m3_s(7.5e5) == pytest.approx(1.1e-4, rel=1e-12)
    assert FALLING.delivery_m3_s(0.0) == FALLING.delivery_m3_s(5e5) == 1.2e-4
    assert FALLING.times(0.5).delivery_m3_s(20e5) == pytest.approx(0.2e-4, rel=1e-12)
    with pytest.raises(RangeError, match="no delivery is known"):
        FALLING.delivery_m3_s(21e5)


def test_the_pump_works_where_its_bypass_opens_while_it_has_to_spare() -> None:
    """By hand: 0.52e-4 m3/s is delivered at 18 bar; less leaves some to bypass, more nothing."""
    pump = pump_of(12e5, FALLING, 30e5, bypass_pa=18e5)
    assert pump.working_pa(0.5e-4) == 18e5
    assert pump.working_pa(0.7e-4) == pytest.approx(15e5, rel=1e-12)
    assert pump_of(12e5, FALLING, 30e5).working_pa(0.5e-4) == 12e5
    assert Pump(12e5, 1e-4, 30e5, bypass_pa=18e5).working_pa(0.5e-4) == 18e5


@settings(deadline=None, max_examples=200)
@given(set_pa=st.floats(6e5, 19e5), at_pa=st.floats(1e5, 19e5), net=st.floats(0, 3e-4), slope=st.floats(1e-12, 1e-9))
def test_the_pressure_held_against_a_linear_flow(set_pa: float, at_pa: float, net: float, slope: float) -> None:
    pump = pump_of(set_pa, FALLING, 30e5)

    def lacks(p: float) -> float:
        return net + slope * (p - at_pa) - float(FALLING.delivery_m3_s(p))

    held = pump.held_pa(at_pa, net, slope)
    if lacks(set_pa) <= 0:
        assert held == set_pa
    else:
        assert held == pytest.approx(brentq(lacks, -1e10, set_pa, xtol=1e-6), rel=1e-9, abs=1e-3)


def test_a_falling_pump_that_cannot_hold_its_pressure() -> None:
    """One nozzle at the pump: k (p - p0)^n = delivery(p), the root by scipy's brentq."""
    wide = NozzleCurve("wide", k=1.45e-7, p0_pa=5.5e5, n=0.46)
    link = Link("l", "pump", "nozzle", 0.0, 0.05, 0.0)
    network = tree_network([Node("pump", 0.0), Node("nozzle", 0.0)], [link], [NozzleAt("nozzle", wide)], "pump")
    state = solve_tree(network, pump_of(18e5, FALLING, 20e5), WATER)
    expected = brentq(lambda p: float(wide.flow_m3_s(p)) - FALLING.delivery_m3_s(p), 5.5e5, 18e5, xtol=1e-3)
    assert 5.5e5 < expected < 18e5
    assert state.supply_pressure_pa == pytest.approx(expected, rel=1e-9)
    assert state.bypass_m3_s == pytest.approx(0.0, abs=1e-14)


@settings(deadline=None, max_examples=100)
@given(seed=st.integers(0, 10_000), set_pa=st.floats(6e5, 19e5), size=st.floats(0.01, 3.0))
def test_any_circuit_on_a_falling_pump(seed: int, set_pa: float, size: float) -> None:
    """Either the set pressure is held and the delivery there is enough, or net flow = delivery below it."""
    network, curve = random_circuit(seed).network(), FALLING.times(size)
    state = solve_tree(network, pump_of(set_pa, curve, 20e5), WATER)
    net, delivery = float(state.nozzle_flow_m3_s.sum()), curve.delivery_m3_s(state.supply_pressure_pa)
    assert state.supply_pressure_pa <= set_pa
    if state.supply_pressure_pa < set_pa * (1 - 1e-9):
        assert net == pytest.approx(delivery, rel=1e-8)
    else:
        assert net <= delivery * (1 + 1e-8)
    assert state.bypass_m3_s == pytest.approx(max(0.0, delivery - net), abs=1e-8 * delivery)


def test_a_falling_pump_behind_which_reducers_hold_all() -> None:
    """A nozzle held at 9 bar takes q; the pump is set to 20 bar, where it delivers less: it settles where its delivery
    is q, by hand on the curve's last stretch."""
    wide = NozzleCurve("wide", k=0.7e-4 / 3.5e5**0.46, p0_pa=5.5e5, n=0.46)  # 0.7e-4 m3/s at 9 bar
    link = Link("l", "pump", "nozzle", 0.0, 0.05, 0.0, 0.0, 9e5, 0.0)
    network = tree_network([Node("pump", 0.0), Node("nozzle", 0.0)], [link], [NozzleAt("nozzle", wide)], "pump")
    state = solve_tree(network, pump_of(20e5, FALLING, 20e5), WATER)
    assert state.reducer_status[1] == "active"
    assert state.supply_pressure_pa == pytest.approx(15e5, rel=1e-9)


def test_power_by_the_formula_of_fluid_power() -> None:
    """hp = gpm x psi / (1714 x efficiency), a formula of fluid power handbooks, from memory; 1714 is rounded."""
    hp = 2.5 * 250 / (1714 * 0.6)
    assert power_drawn_w(250 * PSI_PA, 2.5 * GPM_M3_S, 0.6) == pytest.approx(hp * HP_W, rel=3e-4)
    with pytest.raises(RangeError, match=r"efficiency 1\.2"):
        power_drawn_w(1e6, 1e-4, 1.2)


def test_currents() -> None:
    """P / (U cos phi) and P / (sqrt(3) U cos phi), by hand."""
    assert Motor(230.0, 1, 0.8).current_a(920.0) == pytest.approx(5.0, rel=1e-12)
    assert Motor(400.0, 3, 0.85).current_a(3000.0) == pytest.approx(5.0943, rel=1e-4)
    faulty = ((0.0, 1, 0.8, "voltage"), (230.0, 2, 0.8, "phases"), (230.0, 1, 1.1, "power"))
    for voltage, phases, factor, said in faulty:
        with pytest.raises(RangeError, match=said):
            Motor(voltage, phases, factor)
