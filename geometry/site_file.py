"""The properties of a site file's features: what each role may carry, pydantic's findings in our own words.

Edge code: a closed pydantic model per role; a field's description says what belongs there, for the mend.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from geometry.errors import Fault
from geometry.site import FACING_WORDS


def _facings(value: object) -> object:
    """One facing or a list of them; the list."""
    facings: list[Any] = value if isinstance(value, list) else [value]
    for facing in facings:
        if not (facing in FACING_WORDS if isinstance(facing, str) else _is_azimuth(facing)):
            raise PydanticCustomError("facing", "is not a facing")
    return [facing if isinstance(facing, str) else float(facing) % 360.0 for facing in facings]


def _listed(value: object) -> object:
    """One value or a list of them; the list."""
    return value if isinstance(value, list) else [value]


def _is_azimuth(value: object) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and -360.0 <= float(value) <= 360.0  # type: ignore[arg-type]


def _missing_cost(value: object) -> object:
    """None where the need is at hand (true), else what it costs to bring it."""
    if value is True:
        return None
    if isinstance(value, dict) and set(value) == {"cost"}:
        return value["cost"]
    raise PydanticCustomError("at_hand", "is neither at hand nor priced")


Text = Annotated[str, Field(max_length=2000, description="text of up to 2000 characters")]
Name = Annotated[  # it is printed on screens and plans
    str, Field(min_length=1, max_length=80, pattern=r"^\P{Cc}*$", description="a name of 1 to 80 characters")
]
Share = Annotated[Annotated[float, Field(gt=0, le=1)] | None, Field(description="a share of the area, above 0 to 1")]
Drift = Annotated[Annotated[float, Field(gt=0, lt=1)] | None, Field(description="a share of the mist, between 0 and 1")]
NearBy = Annotated[Annotated[float, Field(gt=0, le=20e3)] | None, Field(description="metres, above 0")]
Weight = Annotated[float, Field(gt=0, le=1e6, description="a number above 0")]
TopHeight = Annotated[float, Field(gt=0, le=500, description="metres above the ground, above 0 to 500")]
Height = Annotated[float, Field(ge=0, le=500, description="metres above the ground, 0 to 500")]
Metres = Annotated[float, Field(ge=0, le=20e3, description="metres, 0 or more")]
Money = Annotated[float, Field(ge=0, le=1e9, description="an amount of money, 0 or more")]
Elevation = Annotated[float, Field(ge=-500, le=9000, description="metres above the site's datum")]
Chainages = Annotated[list[Metres], Field(description="a list of metres along the line")]
AtHand = Annotated[
    Money | None,
    BeforeValidator(_missing_cost),
    Field(description='true where it is at hand, else what it costs, like {"cost": 1200}'),
]
Facings = Annotated[
    list[Any],
    BeforeValidator(_facings),
    Field(min_length=1, description="in, out, left, right, all or an azimuth in degrees, or a list of these"),
]
Tilt = Annotated[float, Field(gt=-90, lt=90)]
Tilts = Annotated[
    list[Tilt],
    BeforeValidator(_listed),
    Field(min_length=1, description="degrees above the level, -90 to 90, or a list of these"),
]
Forbiddable = Literal["mist", "mounting", "tubing", "trench"]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class StretchRecord(_Record):
    """A stretch that is kept free."""

    from_m: Metres
    to_m: Metres
    reason: Text = ""


Stretches = Annotated[
    list[StretchRecord],
    Field(description='a list of stretches like {"from_m": 2, "to_m": 3.5, "reason": "door"}'),
]


class FeatureRecord(_Record):
    """What every role may carry."""

    role: Text
    name: Name
    source: Literal["measured", "scaled", "assumed"] = "assumed"
    note: Text = ""


class BoundaryRecord(FeatureRecord):
    """The site's boundary needs no name."""

    name: Name = "boundary"


class ZoneRecord(FeatureRecord):
    """An area to be misted."""

    weight: Weight = 1.0
    schedule: Name = "always"
    kind: Literal["people", "resting"] = "people"
    least_coverage: Share = None
    cover_by: Annotated[int, Field(ge=1, le=2, description="1 or 2 nozzles")] = 1


class KeepOutRecord(FeatureRecord):
    """An area that forbids something, or is of a kind that rules ask a distance from."""

    forbids: Annotated[list[Forbiddable], Field(description="a list of some of mist, mounting, tubing, trench")] = []
    setback_m: Annotated[Metres | None, Field(description="metres, 0 or more")] = None
    drift_most: Drift = None
    kind: Literal["water", "food", "air_intake", "hive", "bloom", "neighbour", ""] = ""

    @model_validator(mode="after")
    def _of_use(self) -> Self:
        if not self.forbids and not self.kind:
            raise PydanticCustomError("no_use", "forbids nothing and is of no kind")
        return self


class ObstacleRecord(FeatureRecord):
    """A building, wall or hedge."""

    height_m: TopHeight


class MountingLineRecord(FeatureRecord):
    """A line that carries nozzles."""

    height_m: Height
    facing: Facings = ["all"]
    tilt_deg: Tilts = [0.0]
    continuous: Annotated[bool, Field(description="true or false")] = False
    no_nozzles: Stretches = []
    no_tubing: Stretches = []
    supports_m: Chainages = []
    locked_m: Chainages = []
    forbidden_m: Chainages = []
    preferred_m: Chainages = []
    near_ends_m: NearBy = None
    near_corners_m: NearBy = None
    even_pitch: Annotated[bool, Field(description="true or false")] = False


class TubingLinkRecord(FeatureRecord):
    """A way for tubing without nozzles."""

    ground: Text = ""
    unit_cost: Annotated[Money | None, Field(description="money per metre, 0 or more")] = None
    sleeve_cost: Money = 0.0


class PumpSiteRecord(FeatureRecord):
    """A place for a pump unit; what a site does not mention is at hand."""

    elevation_m: Annotated[Elevation | None, Field(description="metres above the site's datum")] = None
    power: AtHand = None
    water: AtHand = None
    backflow: AtHand = None
    pad: AtHand = None


RECORDS: Mapping[str, type[FeatureRecord]] = {
    "boundary": BoundaryRecord,
    "zone": ZoneRecord,
    "keep_out": KeepOutRecord,
    "obstacle": ObstacleRecord,
    "mounting_line": MountingLineRecord,
    "tubing_link": TubingLinkRecord,
    "pump_site": PumpSiteRecord,
}

_PROBLEMS = {
    "missing": "is missing",
    "float_type": "is not a number",
    "int_type": "is not a whole number",
    "string_type": "is not text",
    "list_type": "is not a list",
    "bool_type": "is not true or false",
    "model_type": "is not an object",
    "finite_number": "is not a finite number",
    "string_too_short": "is empty",
    "string_too_long": "is too long",
    "string_pattern_mismatch": "holds a control character",
    "too_short": "has no entry",
    "literal_error": "is not a known word",
}
_MENDS = {"no_use": "add forbids, a list of some of mist, mounting, tubing, trench, or a kind"}


def read_record(role: str, raw: Mapping[str, object], path: str) -> FeatureRecord | list[Fault]:
    """A feature's properties as the record of its role, or every fault in them."""
    try:
        return RECORDS[role].model_validate(dict(raw))
    except ValidationError as error:
        return [_fault(RECORDS[role], found, path) for found in error.errors()]


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """Mend for an unknown word: the nearest known one, or all of them."""
    names = list(known)
    close = difflib.get_close_matches(str(word), names, n=1)
    return f'did you mean "{close[0]}"?' if close else f"known here: {', '.join(names)}"


def shown(value: object) -> str:
    """A value as it stands in the file, at most 60 characters."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _fault(record: type[BaseModel], found: ErrorDetails, path: str) -> Fault:
    place = "".join(f"[{key}]" if isinstance(key, int) else f".{key}" for key in found["loc"])
    kind, context = found["type"], found.get("ctx", {})
    owner, field = _owner(record, found["loc"])
    if kind == "extra_forbidden":
        mend = did_you_mean(found["loc"][-1], owner.model_fields)
        return Fault(f"{path}{place}", shown(found["input"]), "is no known key", mend)
    value = "" if kind in ("missing", "no_use") else shown(found["input"])
    problem = _PROBLEMS.get(kind) or _limit(kind, context) or found["msg"]
    if kind == "literal_error":
        words = context["expected"].replace("'", "").replace(" or ", ", ").split(", ")
        return Fault(f"{path}{place}", value, problem, did_you_mean(found["input"], words))
    mend = _MENDS.get(kind) or f"give {_hint(owner, field)}"
    return Fault(f"{path}{place}", value, problem, mend)


def _limit(kind: str, context: Mapping[str, Any]) -> str:
    words = {"greater_than": ("gt", "not above"), "greater_than_equal": ("ge", "below")}
    words |= {"less_than": ("lt", "not below"), "less_than_equal": ("le", "above")}
    name, word = words.get(kind, ("", ""))
    return f"is {word} {context[name]:g}" if name else ""


def _owner(record: type[BaseModel], loc: tuple[int | str, ...]) -> tuple[type[BaseModel], str]:
    """The record and field that a location names: stretches are the only nested records."""
    if len(loc) > 2 and loc[0] in ("no_nozzles", "no_tubing"):
        return StretchRecord, str(loc[2])
    return record, str(loc[0]) if loc else ""


def _hint(record: type[BaseModel], field: str) -> str:
    info = record.model_fields.get(field)
    described = [info.description] if info else []
    described += [m.description for m in (info.metadata if info else []) if getattr(m, "description", None)]
    return next((text for text in described if text), "what the site file's description asks for")
