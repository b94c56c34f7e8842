"""What can be bought: frozen types in SI units, prices in the catalogue's currency.

Values only; `catalogue_file.py` reads them, `costs.py` adds them up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

from hydraulics.nozzle import NozzleCurve

Source = Literal["measured", "scaled", "assumed"]


class Named(Protocol):
    @property
    def name(self) -> str: ...


Item = TypeVar("Item", bound=Named)


@dataclass(frozen=True)
class NozzleType:
    """A nozzle with its check valve. reach_m: throw of the mist in still air, the radius of its footprint;
    spray_angle_deg: width of the footprint's sector in plan, 360 for a full disc."""

    name: str
    curve: NozzleCurve
    reach_m: float
    reach_source: Source
    spray_angle_deg: float
    price: float


@dataclass(frozen=True)
class Tubing:
    """One size of tubing. rating_pa: the maker's rating at the hottest tubing temperature;
    price_per_m buys the tube, fixing_per_m clips it to what carries it."""

    name: str
    bore_m: float
    roughness_m: float
    rating_pa: float
    price_per_m: float
    fixing_per_m: float


@dataclass(frozen=True)
class Fittings:
    """Prices each, and loss coefficients K on the velocity head of the link after the fitting."""

    tee_price: float
    tee_run_k: float
    tee_branch_k: float
    elbow_price: float
    elbow_k: float
    coupling_price: float
    plug_price: float
    entrance_k: float


@dataclass(frozen=True)
class InLine:
    """A filter or valve: its pressure loss is known at one flow and grows with the square of the flow."""

    name: str
    loss_pa: float
    loss_flow_m3_s: float
    price: float

    def loss_at_pa(self, flow_m3_s: float) -> float:
        """Pressure loss in Pa at a flow in m3/s, turbulent: loss (flow / loss_flow)^2."""
        return self.loss_pa * (flow_m3_s / self.loss_flow_m3_s) ** 2


@dataclass(frozen=True)
class PumpType:
    """A pump unit. delivery_m3_s: rated flow; limit_pa: highest pressure in sustained use;
    set_low_pa, set_high_pa: range of its regulator; outlets: circuits that its manifold can carry;
    filter, valve: one filter a pump, one valve a circuit; manifold: loss of the manifold, its price is the pump's."""

    name: str
    delivery_m3_s: float
    limit_pa: float
    set_low_pa: float
    set_high_pa: float
    outlets: int
    price: float
    filter: InLine
    valve: InLine
    manifold: InLine

    def fixed_loss_pa(self, flow_m3_s: float) -> float:
        """Loss in Pa between the pump's gauge and the first tee at a flow in m3/s: filter + valve + manifold."""
        return sum(part.loss_at_pa(flow_m3_s) for part in (self.filter, self.valve, self.manifold))


@dataclass(frozen=True)
class Catalogue:
    """Everything on sale, in the order of the file."""

    currency: str
    nozzles: tuple[NozzleType, ...]
    tubing: tuple[Tubing, ...]
    fittings: Fittings
    filters: tuple[InLine, ...]
    valves: tuple[InLine, ...]
    pumps: tuple[PumpType, ...]

    def nozzle(self, name: str) -> NozzleType:
        """The nozzle of that name; KeyError when nobody sells it."""
        return named(self.nozzles, name)

    def tube(self, name: str) -> Tubing:
        """The tubing of that name; KeyError when nobody sells it."""
        return named(self.tubing, name)

    def pump(self, name: str) -> PumpType:
        """The pump of that name; KeyError when nobody sells it."""
        return named(self.pumps, name)


def named(items: Iterable[Item], name: str) -> Item:
    """The item of that name; KeyError when there is none."""
    for item in items:
        if item.name == name:
            return item
    raise KeyError(name)
