"""What can be bought: frozen types in SI units, prices in the catalogue's currency; and their reader.

`catalogue_file.py` has the tables as written, `costs.py` adds prices up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TypeVar

from hydraulics.errors import HydraulicsError, RangeError
from hydraulics.mist.cards import reach_of_cards
from hydraulics.mist.spectrum import (
    Lognormal,
    Spectrum,
    spectrum_from_classes,
    spectrum_from_figures,
)
from hydraulics.nozzle import NozzleCurve, curve_from_readings
from hydraulics.tubing import Rating
from hydraulics.units import show
from optimizer.brief import Source
from optimizer.catalogue_file import (
    CurveFile,
    FilterFile,
    FittingsFile,
    HeadFile,
    InLineFile,
    NozzleFile,
    PumpFile,
    SpectrumFile,
    TubingFile,
)
from optimizer.equipment import EQUIPMENT_SECTIONS, NO_EQUIPMENT, Equipment, Filter, InLine, read_equipment
from optimizer.errors import InputFault, InputFaults
from optimizer.input_file import Loc, TomlReader, read_toml
from optimizer.pump_type import PumpType, read_pump


class Named(Protocol):
    @property
    def name(self) -> str: ...


class Priced(Named, Protocol):
    @property
    def price(self) -> float: ...


Item = TypeVar("Item", bound=Named)
SCORE_OF_NINE_TENTHS = 1.2815515655446004


@dataclass(frozen=True)
class NozzleType:
    """A nozzle with its check valve. reach_m: throw of the mist in still air, the radius of its footprint;
    spray_angle_deg: width of the footprint's sector in plan, 360 for a full disc.
    spectrum: of its drops by volume, None where the catalogue does not tell it; spectrum_source: whether measured.
    reach_error_m: standard error of a reach that was fitted to cards."""

    name: str
    curve: NozzleCurve
    reach_m: float
    reach_source: Source
    spray_angle_deg: float
    price: float
    spectrum: Spectrum | None = None
    spectrum_source: Source = "assumed"
    reach_error_m: float | None = None


@dataclass(frozen=True)
class Tubing:
    """One size of tubing. rating_pa: the maker's rating at the hottest tubing temperature, the last of the `ratings`
    where the maker states several;
    price_per_m buys the tube, fixing_per_m clips it to what carries it."""

    name: str
    bore_m: float
    roughness_m: float
    rating_pa: float
    price_per_m: float
    fixing_per_m: float
    ratings: Rating | None = None

    def rating_at_pa(self, temperature_c: float | None) -> float | None:
        """The rating at the hottest temperature that the tubing reaches, where that is known; None where nobody rates
        it there."""
        if self.ratings is None or temperature_c is None:
            return self.rating_pa
        return self.ratings.at_pa(temperature_c) if self.ratings.known_at(temperature_c) else None


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
class Catalogue:
    """Everything on sale, in the order of the file."""

    currency: str
    nozzles: tuple[NozzleType, ...]
    tubing: tuple[Tubing, ...]
    fittings: Fittings
    filters: tuple[Filter, ...]
    valves: tuple[InLine, ...]
    pumps: tuple[PumpType, ...]
    equipment: Equipment = NO_EQUIPMENT

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


@dataclass(frozen=True)
class OnSale:
    """What a catalogue file yields even where it is at fault.

    Sound nozzles, tubing and pumps by name; names: of every item, sound or not, by section (naming a faulty
    item is no second fault); catalogue: None while there is any fault.
    """

    nozzles: dict[str, NozzleType]
    tubing: dict[str, Tubing]
    pumps: dict[str, PumpType]
    names: dict[str, set[str]]
    faults: tuple[InputFault, ...]
    catalogue: Catalogue | None


_SECTIONS = ("nozzle", "tubing", "fittings", "filter", "valve", "pump", *EQUIPMENT_SECTIONS)


def read_catalogue(path: Path) -> Catalogue:
    """The catalogue in a TOML file. Raises InputFaults with every fault of it."""
    on_sale = read_on_sale(path, path.name)
    if on_sale.catalogue is None:
        raise InputFaults(on_sale.faults)
    return on_sale.catalogue


def read_on_sale(path: Path, file: str) -> OnSale:
    """What the file sells and its faults; `file` is how faults name it."""
    reader = read_toml(path, file)
    head = reader.head(HeadFile, _SECTIONS)
    nozzles = [_nozzle(reader, loc, table) for loc, table in reader.many("nozzle", NozzleFile)]
    read_tubes = [_tubing(reader, loc, table) for loc, table in reader.many("tubing", TubingFile)]
    tubing = [tube for tube in read_tubes if tube is not None]
    fittings = reader.one("fittings", FittingsFile)
    filters = [
        Filter(table.name, table.loss, table.at, table.price, table.dirty)
        for _, table in reader.many("filter", FilterFile)
    ]
    valves = [_in_line(table) for _, table in reader.many("valve", InLineFile)]
    pumps = [read_pump(reader, loc, table, filters, valves) for loc, table in reader.many("pump", PumpFile)]
    equipment = read_equipment(reader)
    sound_nozzles = tuple(nozzle for nozzle in nozzles if nozzle is not None)
    sound_pumps = tuple(pump for pump in pumps if pump is not None)
    catalogue = None
    if head is not None and fittings is not None and not reader.faults:
        catalogue = Catalogue(
            currency=head.currency,
            nozzles=sound_nozzles,
            tubing=tuple(tubing),
            fittings=_fittings(fittings),
            filters=tuple(filters),
            valves=tuple(valves),
            pumps=sound_pumps,
            equipment=equipment,
        )
    return OnSale(
        nozzles={nozzle.name: nozzle for nozzle in sound_nozzles},
        tubing={tube.name: tube for tube in tubing},
        pumps={pump.name: pump for pump in sound_pumps},
        names={section: reader.names(section) for section in ("nozzle", "tubing", "pump")},
        faults=tuple(reader.faults),
        catalogue=catalogue,
    )


def _nozzle(reader: TomlReader, loc: Loc, table: NozzleFile) -> NozzleType | None:
    curve, reach = _curve(reader, loc, table), _reach(reader, loc, table)
    if curve is None or reach is None:
        return None
    told = table.spectrum
    return NozzleType(
        table.name,
        curve,
        reach[0],
        table.reach_source,
        table.spray_angle,
        table.price,
        spectrum=None if told is None else _spectrum(reader, (*loc, "spectrum"), told),
        spectrum_source="assumed" if told is None else told.source,
        reach_error_m=reach[1],
    )


def _reach(reader: TomlReader, loc: Loc, table: NozzleFile) -> tuple[float, float | None] | None:
    """The nozzle's reach, with its standard error where cards tell it; a fault where it is told not at all or twice, or
    cards tell none."""
    if (table.reach is None) == (table.cards is None):
        problem = "has neither reach nor cards" if table.reach is None else "has both reach and cards"
        reader.fault(loc, problem, 'give either reach, a length like "3 m", or cards')
        return None
    if table.cards is None:
        return (table.reach, None) if table.reach is not None else None
    if table.reach_source != "measured":
        mend = 'write reach_source = "measured"'
        reader.fault((*loc, "reach_source"), "is not what cards give", mend)
    lain = [(math.hypot(card.east, card.north), card.deposit) for card in table.cards.card]
    try:
        fitted = reach_of_cards([r for r, _ in lain], [d for _, d in lain], table.cards.least)
    except HydraulicsError as error:
        reader.fault((*loc, "cards"), "tell no reach", str(error))
        return None
    return fitted.reach_m, fitted.error_m


def _spectrum(reader: TomlReader, loc: Loc, table: SpectrumFile) -> Spectrum | None:
    """The drops of a nozzle; a fault where the figures are those of no spectrum."""
    try:
        if table.classes is not None:
            return spectrum_from_classes([one.below for one in table.classes], [one.share for one in table.classes])
        assert table.dv50 is not None, "a table without classes that told no median was refused"
        if table.span is not None:
            return Lognormal(table.dv50, deviation_of_span(table.span))
        assert table.dv10 is not None and table.dv90 is not None
        return spectrum_from_figures(table.dv10, table.dv50, table.dv90, table.law)
    except HydraulicsError as error:
        reader.fault(loc, "are figures of no spectrum", str(error))
        return None


def deviation_of_span(span: float) -> float:
    """Geometric standard deviation of a lognormal spectrum: span = 2 sinh(1.2816 ln deviation), 1.2816 being the
    standard score of 0.9."""
    return math.exp(math.asinh(span / 2.0) / SCORE_OF_NINE_TENTHS)


def _curve(reader: TomlReader, loc: Loc, table: NozzleFile) -> NozzleCurve | None:
    """The nozzle's curve; a fault where it is told not at all, twice, or by figures that no nozzle has."""
    told = [key for key in ("reading", "curve") if getattr(table, key) is not None]
    if len(told) != 1:
        problem = "has both readings and a curve" if told else "has neither readings nor a curve"
        reader.fault(loc, problem, "give either [[nozzle.reading]] or curve")
        return None
    try:
        return _curve_of_readings(table) if table.curve is None else _curve_through(table, table.curve)
    except (HydraulicsError, ArithmeticError) as error:
        reader.fault((*loc, told[0]), "are figures of no nozzle", str(error))
        return None


def _curve_of_readings(table: NozzleFile) -> NozzleCurve:
    readings = table.reading or []
    pressures_pa = [reading.pressure for reading in readings]
    flows_m3_s = [reading.flow for reading in readings]
    return curve_from_readings(table.name, pressures_pa, flows_m3_s, table.closing_pressure)


def _curve_through(table: NozzleFile, curve: CurveFile) -> NozzleCurve:
    """k = flow / (at - p0)^n, from q = k (p - p0)^n."""
    above_pa = curve.at - table.closing_pressure
    if above_pa <= 0:
        raise RangeError(f"give the flow at a pressure above {_bar(table.closing_pressure)}, where it closes")
    k = curve.flow / above_pa**curve.exponent
    return NozzleCurve(table.name, k, table.closing_pressure, curve.exponent)


def _tubing(reader: TomlReader, loc: Loc, table: TubingFile) -> Tubing | None:
    """A size of tubing; a fault where its rating is told not at all, twice, or by figures of no tubing."""
    if (table.rating is None) == (table.ratings is None):
        problem = "has neither rating nor ratings" if table.rating is None else "has both rating and ratings"
        reader.fault(loc, problem, "give rating, at the hottest tubing temperature, or [[tubing.ratings]]")
        return None
    ratings, rating_pa = None, table.rating
    if table.ratings is not None:
        points = sorted((point.temperature, point.pressure) for point in table.ratings)
        try:
            ratings = Rating(tuple(t for t, _ in points), tuple(p for _, p in points))
        except HydraulicsError as error:
            reader.fault((*loc, "ratings"), "are figures of no tubing", str(error))
            return None
        rating_pa = ratings.ratings_pa[-1]
    assert rating_pa is not None, "one of the two is told"
    price = (table.price_per_m, table.fixing_per_m)
    return Tubing(table.name, table.bore, table.roughness, rating_pa, *price, ratings)


def _fittings(table: FittingsFile) -> Fittings:
    return Fittings(
        tee_price=table.tee.price,
        tee_run_k=table.tee.run_k,
        tee_branch_k=table.tee.branch_k,
        elbow_price=table.elbow.price,
        elbow_k=table.elbow.k,
        coupling_price=table.coupling.price,
        plug_price=table.plug.price,
        entrance_k=table.entrance.k,
    )


def _in_line(table: InLineFile) -> InLine:
    return InLine(table.name, table.loss, table.at, table.price)


def _bar(pressure_pa: float) -> str:
    return show(pressure_pa, "pressure", "metric")
