"""What the account of a design's mist is reckoned from, as design.json holds it: drops, air, winds, places, limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import ConfigDict, Field

_CLOSED = ConfigDict(extra="forbid", allow_inf_nan=False)
_Share = Annotated[float, Field(ge=0, le=1)]


@dataclass(frozen=True)
class DropClass:
    """Drops of about one diameter, and their share of the volume."""

    __pydantic_config__ = _CLOSED
    diameter_m: Annotated[float, Field(gt=0)]
    share: _Share


@dataclass(frozen=True)
class WindAt:
    """A wind of the misting hours: the bearing that it blows from, clockwise from north, and its share of them."""

    __pydantic_config__ = _CLOSED
    from_deg: float
    speed_m_s: Annotated[float, Field(gt=0)]
    share: _Share


@dataclass(frozen=True)
class Place:
    """A keep-out, polygon in local metres."""

    __pydantic_config__ = _CLOSED
    name: str
    polygon: Mapping[str, Any]


@dataclass(frozen=True)
class DriftLimit:
    """Of all mist at most the share `most` goes to a keep-out, or, without one, over the boundary.

    wind: number of the one wind that it holds in, None for the mean of all; bias: what is added to the model's share
    before it is compared.
    """

    __pydantic_config__ = _CLOSED
    name: str
    keep_out: str | None
    wind: Annotated[int, Field(ge=0)] | None
    most: _Share
    bias: _Share


@dataclass(frozen=True)
class MistBasis:
    """All that the account needs beside nozzles and zones.

    residue_share: of the mist's volume, that does not evaporate; winds are told for reference_height_m over ground of
    roughness_m; layer_top_m: of the air that people are in; cycle_s: length of a cycle; cell_m: of the raster;
    bias_share: by which the model may tell too little to drift over the boundary.
    """

    __pydantic_config__ = _CLOSED
    temperature_c: float
    humidity_share: _Share
    residue_share: _Share
    reference_height_m: float
    roughness_m: float
    layer_top_m: Annotated[float, Field(gt=0)]
    cycle_s: Annotated[float, Field(gt=0)]
    cell_m: Annotated[float, Field(gt=0)]
    bias_share: _Share
    boundary: Mapping[str, Any]
    winds: tuple[WindAt, ...]
    drops: tuple[DropClass, ...]
    keep_outs: tuple[Place, ...]
    limits: tuple[DriftLimit, ...]
