"""What pressure the tubing of a design has to stand, against its rating at the hottest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from hydraulics.friction import GRAVITY_M_S2
from hydraulics.tubing import SET_MARGIN, to_withstand_pa
from hydraulics.units import show, show_both
from optimizer.design import MANIFOLD, Design, Pump


@dataclass(frozen=True)
class Load:
    """The stretch of one size of tubing that has to stand most: with all nozzles shut, whatever reducers hold.

    relief_pa: setting of the relief valve, None where none is stated; rating_pa, temperature_c: None where not known.
    """

    tubing: str
    link: str
    pump: str
    works_pa: float
    relief_pa: float | None
    fall_m: float
    must_stand_pa: float
    rating_pa: float | None
    temperature_c: float | None

    @property
    def sound(self) -> bool:
        """The rating exceeds what must be stood, or there is none to judge by."""
        return self.rating_pa is None or self.rating_pa > self.must_stand_pa

    @property
    def words(self) -> str:
        """The load as a sentence."""
        source = (
            f"{show(self.works_pa, 'pressure', 'metric')} of {self.pump} and {100.0 * SET_MARGIN:.0f} %"
            if self.relief_pa is None
            else f"relief valve of {self.pump} set to {show(self.relief_pa, 'pressure', 'metric')}"
        )
        head = f", {self.fall_m:.1f} m below it" if self.fall_m > 0 else ""
        must = f"{self.tubing} must stand {show_both(self.must_stand_pa, 'pressure')} at {self.link} ({source}{head})"
        if self.rating_pa is None:
            return f"{must}; its rating is not known"
        hot = "its hottest" if self.temperature_c is None else show(self.temperature_c, "temperature", "metric")
        text = f"{must} and is rated for {show_both(self.rating_pa, 'pressure')} at {hot}"
        return text if self.sound else f"{text}: take tubing of a higher rating, or set the relief valve lower"


def loads(design: Design) -> tuple[Load, ...]:
    """The highest load of each size of tubing, in the order of their names."""
    rated = {one.tubing: one for one in design.ratings}
    z = {node.id: node.z_m for node in design.nodes}
    feeds = {circuit: pump for pump in design.pumps for circuit in pump.circuits}
    weight = design.water.density_kg_m3 * GRAVITY_M_S2
    worst: dict[str, Load] = {}
    for link in design.links:
        if link.tubing == MANIFOLD:
            continue
        pump: Pump = feeds[link.circuit]
        fall = max(0.0, z[pump.node] - min(z[link.from_], z[link.to]))
        must = to_withstand_pa(pump.works_pa, pump.relief_pa, fall, weight)
        own = rated.get(link.tubing)
        known = (own.rating_pa, own.temperature_c) if own else (None, None)
        if link.tubing not in worst or must > worst[link.tubing].must_stand_pa:
            at = (link.tubing, link.id, pump.id, pump.works_pa, pump.relief_pa, fall, must)
            worst[link.tubing] = Load(*at, *known)
    return tuple(worst[name] for name in sorted(worst))


def load_faults(design: Design) -> Iterator[str]:
    """Sentences on each size of tubing whose rating does not exceed what it must stand."""
    yield from (load.words for load in loads(design) if not load.sound)
