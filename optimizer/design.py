"""The frozen design and its verification: what everything later consumes, and its one file form, design.json.

Only values live here: no solving, no drawing. All figures are SI; the file alone is enough to rebuild the network
and to recompute pressures, flows and covered area with another engine.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import ConfigDict, Field, TypeAdapter, ValidationError

from hydraulics.errors import HydraulicsError
from hydraulics.nozzle import NozzleCurve
from hydraulics.pump import DeliveryCurve, Motor
from hydraulics.water import Water
from optimizer.cautions import CAUTIONS
from optimizer.errors import DesignFileError
from optimizer.mist_basis import MistBasis
from optimizer.protection import Stated

SCHEMA_VERSION = 1
MANIFOLD = "manifold"  # tubing of a link inside a pump unit, up to the outlet of its circuit
_CLOSED = ConfigDict(extra="forbid", allow_inf_nan=False)

GeoJson = Mapping[str, Any]


@dataclass(frozen=True)
class Pump:
    """A pump unit: `capacity_m3_s` is what it delivers at its set pressure, per circuit; its circuits mist one after
    the other.

    delivery: what it delivers at other pressures, as much as at the set one where there is no curve. bypass_pa: where
    its bypass opens, None at the set pressure; relief_pa: where its relief valve opens. power_w: drawn while it runs,
    from the efficiency where there is one. None where nothing is known.
    """

    __pydantic_config__ = _CLOSED
    id: str
    type: str
    site: str
    node: str
    set_pressure_pa: float
    limit_pa: float
    capacity_m3_s: float
    reserve: Annotated[float, Field(ge=0, lt=1)]
    circuits: tuple[str, ...]
    delivery: DeliveryCurve | None = None
    bypass_pa: Annotated[float, Field(gt=0)] | None = None
    relief_pa: Annotated[float, Field(gt=0)] | None = None
    efficiency: Annotated[float, Field(gt=0, le=1)] | None = None
    power_w: Annotated[float, Field(gt=0)] | None = None
    motor: Motor | None = None

    @property
    def works_pa(self) -> float:
        """The pressure that the pump works at while it delivers more than is taken: where its bypass opens."""
        return self.set_pressure_pa if self.bypass_pa is None else self.bypass_pa


@dataclass(frozen=True)
class Node:
    """A point of the tubing; `z_m` is the tubing's elevation above the site's datum."""

    __pydantic_config__ = _CLOSED
    id: str
    x_m: float
    y_m: float
    z_m: float


@dataclass(frozen=True)
class Link:
    """A stretch of one tube, in the direction of flow; `minor_k` counts on the velocity in this link.

    A reducer stands at its start where `reducer_pa`, the outlet pressure that it holds, is given: `reducer` is its name
    in the catalogue and `reducer_k` counts for it fully open. `shared` names the circuits that a main feeds one after
    the other, from the pump to the valves of its circuits; empty for the tubing of one circuit.
    """

    __pydantic_config__ = _CLOSED
    id: str
    from_: Annotated[str, Field(alias="from")]
    to: str
    circuit: str
    run: str
    tubing: str
    bore_m: float
    roughness_m: float
    length_m: float
    minor_k: float
    reducer_pa: Annotated[float, Field(gt=0)] | None = None
    reducer_k: Annotated[float, Field(ge=0)] = 0.0
    reducer: str | None = None
    shared: tuple[str, ...] = ()

    def carries(self, circuit: str) -> bool:
        """Whether the water of a circuit flows through it."""
        return circuit == self.circuit or circuit in self.shared


@dataclass(frozen=True)
class Nozzle:
    """A nozzle at a node; azimuth clockwise from north, footprint a GeoJSON polygon in local metres."""

    __pydantic_config__ = _CLOSED
    id: str
    node: str
    circuit: str
    run: str
    line: str
    chainage_m: float
    height_m: float
    azimuth_deg: float
    tilt_deg: float
    pressure_pa: float
    flow_m3_s: float
    footprint: GeoJson


@dataclass(frozen=True)
class ZoneArea:
    """A zone to protect, polygon in local metres."""

    __pydantic_config__ = _CLOSED
    name: str
    weight: float
    polygon: GeoJson


@dataclass(frozen=True)
class Verification:
    """What the full nonlinear state and the exact areas say of a design.

    The kinds of fault are told apart: nozzles below the band, nozzles above it, pumps or circuits beyond what the pump
    may give, runs and circuits that break a run rule, rules of protection that are broken, limits of drift that are
    passed, tubing that may not stand its pressure. A design is verified when none is there. drift: of each limit, the
    share of the mist that it is about, at most.
    """

    __pydantic_config__ = _CLOSED
    verified: bool
    band_pa: tuple[float, float]
    low_faults: tuple[str, ...]
    high_faults: tuple[str, ...]
    pump_faults: tuple[str, ...]
    min_pressure_pa: float
    max_pressure_pa: float
    flow_m3_s: dict[str, float]
    mass_residual: float
    energy_residual: float
    covered_area_m2: float
    run_faults: tuple[str, ...] = ()
    protection_faults: tuple[str, ...] = ()
    drift: Mapping[str, float] = field(default_factory=dict)
    drift_faults: tuple[str, ...] = ()
    tubing_faults: tuple[str, ...] = ()

    @property
    def told_faults(self) -> tuple[str, ...]:
        """Every fault that is a sentence: all but those of nozzles outside the band."""
        kinds = (self.pump_faults, self.run_faults, self.tubing_faults, self.protection_faults, self.drift_faults)
        return tuple(fault for kind in kinds for fault in kind)


@dataclass(frozen=True)
class Misting:
    """How often a day a circuit mists, how long at a time, and the schedule group whose hours it keeps."""

    __pydantic_config__ = _CLOSED
    circuit: str
    schedule: str
    cycles_per_day: Annotated[int, Field(ge=1)]
    cycle_s: Annotated[float, Field(gt=0)]


@dataclass(frozen=True)
class Rated:
    """The pressure that a size of tubing is rated for at the hottest; temperature_c: None where the maker's figure is
    for the hottest, whatever that is."""

    __pydantic_config__ = _CLOSED
    tubing: str
    rating_pa: Annotated[float, Field(gt=0)]
    temperature_c: float | None = None


@dataclass(frozen=True)
class RunRules:
    """Rules on the runs of a design, None where there is no such rule.

    run_longest_m: tubing from the pump's outlet, or a circuit's field valve, to the furthest end; run_nozzles_most:
    nozzles of one run; circuit_balance: flows of the circuits of one pump, least >= (1 - circuit_balance) greatest.
    """

    __pydantic_config__ = _CLOSED
    run_longest_m: Annotated[float, Field(gt=0)] | None = None
    run_nozzles_most: Annotated[int, Field(ge=1)] | None = None
    circuit_balance: Annotated[float, Field(ge=0, lt=1)] | None = None


@dataclass(frozen=True)
class Design:
    """Nozzles, tubing and pumps of one alternative, with the verification that belongs to them.

    misting: of every circuit, and dilution, litres of mist from one of concentrate, where the scenario states a
    service; protection: the strictest statement of every rule of protection; mist: what the account of its mist is
    reckoned from, None where the drops are not known.
    """

    __pydantic_config__ = _CLOSED
    schema_version: int
    scenario: str
    option: str
    gravity_m_s2: float
    friction_law: str
    velocity_of_minor_loss: str
    water: Water
    nozzle: NozzleCurve
    pumps: tuple[Pump, ...]
    nodes: tuple[Node, ...]
    links: tuple[Link, ...]
    nozzles: tuple[Nozzle, ...]
    zones: tuple[ZoneArea, ...]
    verification: Verification
    run_rules: RunRules = RunRules()
    misting: tuple[Misting, ...] = ()
    dilution: Annotated[float, Field(ge=1)] | None = None
    protection: tuple[Stated, ...] = ()
    mist: MistBasis | None = None
    ratings: tuple[Rated, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS


def design_text(design: Design) -> str:
    """The design as the text of design.json: one line an item, so that two designs can be compared by line."""
    data = asdict(design)
    for link in data["links"]:
        link["from"] = link.pop("from_")
    return _lines(data) + "\n"


def _lines(data: Mapping[str, Any]) -> str:
    members = []
    for key, value in data.items():
        if isinstance(value, (list, tuple)) and value and isinstance(value[0], dict):
            items = ",\n    ".join(_compact(item) for item in value)
            members.append(f"  {json.dumps(key)}: [\n    {items}\n  ]")
        else:
            members.append(f"  {json.dumps(key)}: {_compact(value)}")
    return "{\n" + ",\n".join(members) + "\n}"


def _compact(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def read_design(path: Path) -> Design:
    """Read design.json.

    Raises DesignFileError, with every fault of the file, when it cannot be read as a design of this version.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DesignFileError(f"{path}: cannot be read: {error}") from error
    try:
        data = json.loads(text)
    except ValueError as error:
        raise DesignFileError(f"{path}: is not JSON: {error}") from error
    version = data.get("schema_version") if isinstance(data, dict) else None
    if version != SCHEMA_VERSION:
        problem = f"schema_version: {version!r} is not {SCHEMA_VERSION}, the one version this program reads"
        raise DesignFileError(f"{path}: {problem}")
    try:
        return TypeAdapter(Design).validate_json(text)
    except ValidationError as error:
        problems = [f"{path}: {_place(e['loc'])}: {e['msg']}" for e in error.errors(include_url=False)]
        raise DesignFileError("\n".join(problems)) from error
    except HydraulicsError as error:  # the nozzle's curve and the water check themselves
        raise DesignFileError(f"{path}: {error}") from error


def _place(location: tuple[int | str, ...]) -> str:
    parts = [f"[{part}]" if isinstance(part, int) else f".{part}" for part in location]
    return "".join(parts).lstrip(".") or "file"
