"""Installed cost: what a design is made of, priced by the catalogue. Money is in the catalogue's currency.

Below everything that optimises cost, so that search and bill use the same prices.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from optimizer.catalogue import Catalogue, Priced, Tubing, named
from optimizer.equipment import Equipment

Group = Literal["nozzles", "tubing", "fittings", "ground", "pump unit", "field valves", "site works", "service"]
Unit = Literal["m", "pc", "L", "m3", "kWh"]


@dataclass(frozen=True)
class Trench:
    """Ground crossed by tubing, counted once however many tubes lie in it."""

    ground: str
    length_m: float
    cost_per_m: float


@dataclass(frozen=True)
class SiteWork:
    """A priced work on site: what a pump site lacks (power, water, ...) or a sleeve under a way."""

    name: str
    cost: float


@dataclass(frozen=True)
class TakeOff:
    """What a design is made of, counted. Pairs are (name in the catalogue, quantity); a name may stand twice.

    nozzles, reducers, filters, valves, pumps, controllers, tanks, dosing: pieces; tubing_m: metres by size;
    couplings, tees, elbows, plugs: pieces; enclosures: of pump units; valve_boxes, wire_m: for valves in the field.
    What the catalogue has no enclosure, box or wire for costs nothing.
    """

    nozzles: tuple[tuple[str, int], ...] = ()
    tubing_m: tuple[tuple[str, float], ...] = ()
    tees: int = 0
    elbows: int = 0
    couplings: int = 0
    plugs: int = 0
    trenches: tuple[Trench, ...] = ()
    sleeves: tuple[SiteWork, ...] = ()
    pumps: tuple[tuple[str, int], ...] = ()
    filters: tuple[tuple[str, int], ...] = ()
    valves: tuple[tuple[str, int], ...] = ()
    reducers: tuple[tuple[str, int], ...] = ()
    controllers: tuple[tuple[str, int], ...] = ()
    tanks: tuple[tuple[str, int], ...] = ()
    dosing: tuple[tuple[str, int], ...] = ()
    enclosures: int = 0
    valve_boxes: int = 0
    wire_m: float = 0.0
    site_works: tuple[SiteWork, ...] = ()


@dataclass(frozen=True)
class CostLine:
    """One line of a bill; amount = quantity x unit_price."""

    item: str
    group: Group
    quantity: float
    unit: Unit
    unit_price: float
    amount: float


def cost_line(item: str, group: Group, quantity: float, unit: Unit, unit_price: float) -> CostLine:
    """A line with its amount."""
    return CostLine(item, group, quantity, unit, unit_price, quantity * unit_price)


def tube_cost_per_m(tubing: Tubing) -> float:
    """Price of a metre of tubing, clipped to what carries it."""
    return tubing.price_per_m + tubing.fixing_per_m


def bill(take_off: TakeOff, catalogue: Catalogue) -> tuple[CostLine, ...]:
    """The priced lines of a take-off in the order of its fields; one item is one line, none has quantity 0.

    Raises KeyError naming an item that the catalogue does not sell.
    """
    lines = [
        *_pieces("nozzles", take_off.nozzles, catalogue.nozzles),
        *_tubing(take_off, catalogue),
        *_fittings(take_off, catalogue),
        *_pieces("fittings", take_off.reducers, catalogue.equipment.reducers),
        *_trenches(take_off.trenches),
        *_works("ground", take_off.sleeves),
        *_pieces("pump unit", take_off.pumps, catalogue.pumps),
        *_pieces("pump unit", take_off.filters, catalogue.filters),
        *_pieces("pump unit", take_off.valves, catalogue.valves),
        *_equipment(take_off, catalogue.equipment),
        *_works("site works", take_off.site_works),
    ]
    return tuple(line for line in lines if line.quantity > 0)


def total(lines: Iterable[CostLine]) -> float:
    """Sum of the amounts."""
    return sum(line.amount for line in lines)


def total_of(lines: Iterable[CostLine], group: Group) -> float:
    """Sum of the amounts of one group."""
    return total(line for line in lines if line.group == group)


def _added(pairs: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Quantities by name, in the order of first mention."""
    added: dict[str, float] = {}
    for name, quantity in pairs:
        added[name] = added.get(name, 0) + quantity
    return added


def _pieces(group: Group, pairs: Iterable[tuple[str, int]], items: Iterable[Priced]) -> Iterator[CostLine]:
    sold = tuple(items)
    for name, count in _added(pairs).items():
        yield cost_line(name, group, count, "pc", named(sold, name).price)


def _tubing(take_off: TakeOff, catalogue: Catalogue) -> Iterator[CostLine]:
    metres = _added(take_off.tubing_m)
    for name, length_m in metres.items():
        yield cost_line(f"tubing {name}", "tubing", length_m, "m", catalogue.tube(name).price_per_m)
    for name, length_m in metres.items():
        yield cost_line(f"fixing of tubing {name}", "tubing", length_m, "m", catalogue.tube(name).fixing_per_m)


def _fittings(take_off: TakeOff, catalogue: Catalogue) -> Iterator[CostLine]:
    prices = catalogue.fittings
    yield cost_line("tee", "fittings", take_off.tees, "pc", prices.tee_price)
    yield cost_line("elbow", "fittings", take_off.elbows, "pc", prices.elbow_price)
    yield cost_line("coupling", "fittings", take_off.couplings, "pc", prices.coupling_price)
    yield cost_line("plug", "fittings", take_off.plugs, "pc", prices.plug_price)


def _equipment(take_off: TakeOff, sold: Equipment) -> Iterator[CostLine]:
    yield from _pieces("pump unit", take_off.controllers, sold.controllers)
    yield from _pieces("pump unit", take_off.tanks, sold.tanks)
    yield from _pieces("pump unit", take_off.dosing, sold.dosing)
    if sold.enclosure_price is not None:
        yield cost_line("enclosure", "pump unit", take_off.enclosures, "pc", sold.enclosure_price)
    if sold.valve_box is not None:
        yield cost_line("valve box", "field valves", take_off.valve_boxes, "pc", sold.valve_box.price)
    if sold.wire_per_m is not None:
        yield cost_line("wire", "field valves", take_off.wire_m, "m", sold.wire_per_m)


def _trenches(trenches: Iterable[Trench]) -> Iterator[CostLine]:
    """One line for each ground and price: a link's own price differs from that of its ground."""
    metres: dict[tuple[str, float], float] = {}
    for trench in trenches:
        key = trench.ground, trench.cost_per_m
        metres[key] = metres.get(key, 0.0) + trench.length_m
    for (ground, cost_per_m), length_m in metres.items():
        yield cost_line(f"trench in {ground or 'ground unnamed'}", "ground", length_m, "m", cost_per_m)


def _works(group: Group, works: Iterable[SiteWork]) -> Iterator[CostLine]:
    for work in works:
        yield cost_line(work.name, group, 1, "pc", work.cost)
