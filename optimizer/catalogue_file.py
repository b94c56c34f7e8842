"""catalogue.toml as it is written, a closed table a section; `catalogue.py` makes what is on sale of them."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from optimizer.fields import (
    Bore,
    Coefficient,
    Count,
    DropSize,
    Exponent,
    Flow,
    Length,
    LengthOrZero,
    Name,
    Offset,
    Part,
    Power,
    Pressure,
    PressureRange,
    PressureSteps,
    Price,
    Rate,
    RateOrZero,
    Share,
    Span,
    SprayAngle,
    Table,
    TubingTemperature,
    Voltage,
    Volume,
    Words,
)


class HeadFile(Table):
    """Keys outside any section."""

    currency: Name
    note: Words | None = None


class ReadingFile(Table):
    """One bench reading of a nozzle."""

    pressure: Pressure
    flow: Flow


class CurveFile(Table):
    """A nozzle curve told by one flow, the closing pressure and the exponent."""

    flow: Flow
    at: Pressure
    exponent: Exponent


class DropClassFile(Table):
    """One size class of a spectrum: the share of the volume in drops below a diameter and above the class before."""

    below: DropSize
    share: Share


class SpectrumFile(Table):
    """The drops of a nozzle by volume: three figures of a law, the median and span of a lognormal one, or classes."""

    dv10: DropSize | None = None
    dv50: DropSize | None = None
    dv90: DropSize | None = None
    span: Span | None = None
    law: Literal["lognormal", "rosin_rammler"] = "lognormal"
    classes: list[DropClassFile] | None = Field(
        None, min_length=2, description='classes like [{ below = "20 um", share = 0.1 }]'
    )
    source: Literal["measured", "scaled", "assumed"]

    @model_validator(mode="after")
    def _told_once(self) -> Self:
        told = {key for key in ("dv10", "dv50", "dv90", "span", "classes") if getattr(self, key) is not None}
        if told not in ({"dv10", "dv50", "dv90"}, {"dv50", "span"}, {"classes"}):
            problem = "is not told by one set of figures"
            mend = "give dv10, dv50 and dv90, or dv50 and span, or classes"
            raise PydanticCustomError("impossible", "{problem}", {"problem": problem, "mend": mend})
        return self


class CardFile(Table):
    """What came down on a card, and where it lay from the foot of the nozzle."""

    east: Offset
    north: Offset
    deposit: RateOrZero


class CardsFile(Table):
    """Cards on a grid about one nozzle in calm air, and the least deposit that counts as reached."""

    note: Words | None = None
    least: Rate
    card: list[CardFile] = Field(min_length=4, description="readings as [[nozzle.cards.card]]")


class NozzleFile(Table):
    """A nozzle: bench readings or a curve, one of the two."""

    name: Name
    note: Words | None = None
    closing_pressure: Pressure
    reading: list[ReadingFile] | None = Field(None, description="bench readings as [[nozzle.reading]]")
    curve: CurveFile | None = Field(
        None, description='a curve like { flow = "40 mL/min", at = "9 bar", exponent = 0.5 }'
    )
    reach: Length | None = None
    cards: CardsFile | None = Field(
        None, description="a table [nozzle.cards] with least and a list of card (east, north, deposit)"
    )
    reach_source: Literal["measured", "scaled", "assumed"]
    spray_angle: SprayAngle
    spectrum: SpectrumFile | None = Field(
        None, description='a spectrum like { dv50 = "45 um", span = 1.2, source = "assumed" }'
    )
    price: Price


class RatingFile(Table):
    """What pressure tubing stands at one temperature."""

    temperature: TubingTemperature
    pressure: Pressure


class TubingFile(Table):
    """One size of tubing: its rating at the hottest, or ratings at several temperatures, one of the two."""

    name: Name
    note: Words | None = None
    bore: Bore
    roughness: LengthOrZero
    rating: Pressure | None = None
    ratings: list[RatingFile] | None = Field(None, description="ratings as [[tubing.ratings]]")
    price_per_m: Price
    fixing_per_m: Price


class TeeFile(Table):
    price: Price
    run_k: Coefficient
    branch_k: Coefficient


class ElbowFile(Table):
    price: Price
    k: Coefficient


class EntranceFile(Table):
    k: Coefficient


class PricedFile(Table):
    price: Price


class FittingsFile(Table):
    """Fittings, one price each whatever the tubing."""

    note: Words | None = None
    tee: TeeFile = Field(description="a table [fittings.tee] with price, run_k, branch_k")
    elbow: ElbowFile = Field(description="a table [fittings.elbow] with price, k")
    coupling: PricedFile = Field(description="a table [fittings.coupling] with price")
    plug: PricedFile = Field(description="a table [fittings.plug] with price")
    entrance: EntranceFile = Field(description="a table [fittings.entrance] with k")


class LossFile(Table):
    """A pressure loss at a flow; it grows with the square of the flow."""

    loss: Pressure
    at: Flow


class InLineFile(LossFile):
    """A filter or a valve."""

    name: Name
    note: Words | None = None
    price: Price


class FilterFile(InLineFile):
    """A filter; dirty: the loss, at the same flow, at which it is to be changed."""

    dirty: Pressure | None = None

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.dirty is not None and self.dirty < self.loss:
            told = {"problem": "loses less dirty than clean", "mend": "raise dirty, or lower loss"}
            raise PydanticCustomError("impossible", "{problem}", told)
        return self


class DeliveryPointFile(Table):
    """What a pump delivers at one pressure."""

    pressure: Pressure
    delivery: Flow


class MotorFile(Table):
    """The circuit that a pump's motor hangs on."""

    voltage: Voltage
    phases: Literal[1, 3]
    power_factor: Part


class PumpFile(Table):
    """A pump unit; filter and valve by name; delivery or a curve, one of the two."""

    name: Name
    note: Words | None = None
    delivery: Flow | None = None
    curve: list[DeliveryPointFile] | None = Field(None, description="deliveries as [[pump.curve]]")
    limit: Pressure
    bypass: Pressure | None = None
    relief: Pressure | None = None
    set_pressure: PressureRange = Field(description='a range like { low = "8 bar", high = "12 bar" }')
    outlets: Count
    filter: Name
    valve: Name
    manifold: LossFile = Field(description='a loss like { loss = "0.1 bar", at = "10 L/min" }')
    power: Power | None = None
    efficiency: Part | None = None
    motor: MotorFile | None = Field(
        None, description='a motor like { voltage = "230 V", phases = 1, power_factor = 0.85 }'
    )
    price: Price


class ReducerFile(InLineFile):
    """A pressure-reducing fitting; the loss is that of the fitting wide open."""

    outlet: PressureSteps = Field(description='a range like { low = "9 bar", high = "12 bar", step = "0.5 bar" }')


class ControllerFile(Table):
    """What opens the valves by the clock, one station a circuit."""

    name: Name
    note: Words | None = None
    stations: Count
    price: Price


class TankFile(Table):
    """A tank for premixed product, one a pump unit."""

    name: Name
    note: Words | None = None
    volume: Volume
    price: Price


class DosingFile(Table):
    """What meters concentrate from a drum into plumbed water, up to a flow of water; one a pump unit."""

    name: Name
    note: Words | None = None
    drum: Volume
    flow: Flow
    price: Price


class EnclosureFile(PricedFile):
    """The locked enclosure of a pump unit."""

    note: Words | None = None


class ValveBoxFile(PricedFile):
    """A box in the ground for valves that stand in the field."""

    note: Words | None = None
    valves: Count


class WireFile(Table):
    """Wire from a pump unit to valves in the field."""

    note: Words | None = None
    price_per_m: Price


