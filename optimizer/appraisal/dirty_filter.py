"""What a dirty filter does to the worst nozzle of a circuit, and how dirty it may get."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from scipy.optimize import brentq

from hydraulics.fittings import k_of_loss
from optimizer.design import MANIFOLD, Design, Link, Pump
from optimizer.equipment import Filter
from optimizer.instance import Instance
from optimizer.verify import CircuitState, circuit_state

DIRTY_TIMES = 3.0  # of a clean filter's loss where its maker does not say when to change it: assumed
MOST_TIMES = 1e6
CLOSE = 1e-4  # of the times that are allowed


@dataclass(frozen=True)
class FilterLoss:
    """clean_pa, dirty_pa: loss at the flow of the clean circuit, dirty as the maker says where `stated`, else assumed;
    clean_min_pa, dirty_min_pa: pressure of the worst nozzle. allowed_pa: loss at that flow that brings the worst nozzle
    to the band's low edge, None where none does."""

    name: str
    clean_pa: float
    dirty_pa: float
    stated: bool
    worst_nozzle: str
    clean_min_pa: float
    dirty_min_pa: float
    below_band: bool
    allowed_pa: float | None


def filter_loss(instance: Instance, design: Design, pump: Pump, state: CircuitState) -> FilterLoss:
    """The filter of a pump, clean and dirty, on one of its circuits; its loss stands behind the pump's gauge."""
    kind = instance.scenario.catalogue.pump(pump.type).filter
    clean, low = kind.loss_at_pa(state.net_flow_m3_s), design.verification.band_pa[0]
    times = dirty_times(kind)

    def lowest(factor: float) -> tuple[float, str]:
        found = circuit_state(_dirtier(design, kind, factor), pump, state.circuit).pressure_pa
        return min((pressure, name) for name, pressure in found.items())

    now, dirty = lowest(1.0), lowest(times)
    return FilterLoss(
        name=kind.name,
        clean_pa=clean,
        dirty_pa=times * clean,
        stated=kind.dirty_pa is not None,
        worst_nozzle=dirty[1],
        clean_min_pa=now[0],
        dirty_min_pa=dirty[0],
        below_band=dirty[0] < low,
        allowed_pa=_allowed(lambda factor: lowest(factor)[0] - low, clean),
    )


def _allowed(spare_pa: Callable[[float], float], clean_pa: float) -> float | None:
    """The loss at which the worst nozzle has nothing to spare; None where a clean one leaves none, or none is lost."""
    if clean_pa == 0 or spare_pa(1.0) <= 0 or spare_pa(MOST_TIMES) >= 0:
        return None
    return clean_pa * float(brentq(spare_pa, 1.0, MOST_TIMES, rtol=CLOSE))


def dirty_times(kind: Filter) -> float:
    """So many times a clean filter's loss is that of one to be changed."""
    return DIRTY_TIMES if kind.dirty_pa is None else kind.dirty_pa / kind.loss_pa


def _dirtier(design: Design, kind: Filter, factor: float) -> Design:
    """The design with the loss of a filter times a factor: more velocity heads in every manifold."""
    density = design.water.density_kg_m3

    def dirty(link: Link) -> Link:
        if link.tubing != MANIFOLD or kind.loss_pa == 0:
            return link
        more = k_of_loss((factor - 1.0) * kind.loss_pa, kind.loss_flow_m3_s, link.bore_m, density)
        return replace(link, minor_k=link.minor_k + more)

    return replace(design, links=tuple(dirty(link) for link in design.links))
