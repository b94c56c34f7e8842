"""[[protection]] of scenario.toml: what one source states, and its rules one by one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from optimizer.fields import Count, Days, Dilution, Flow, Length, Rate, Speed, Table, Words
from optimizer.protection import DISTANCES, RATES, Stated


class HeightsFile(Table):
    """Heights above the ground at which nozzles may be mounted."""

    least: Length | None = None
    greatest: Length | None = None


class DistancesFile(Table):
    """Distances from keep-outs by their kind, and set-backs from the boundary."""

    water: Length | None = None
    food: Length | None = None
    air_intake: Length | None = None
    hive: Length | None = None
    bloom: Length | None = None
    neighbour: Length | None = None
    boundary: Length | None = None


class ProtectionFile(Table):
    """What one source (product label, local code, practice) states; a rule left out is not stated."""

    source: Words
    note: Words | None = None
    nozzle_flow: Flow | None = None
    cycles_per_day: Count | None = None
    mist_per_cycle: Rate | None = None
    mist_per_day: Rate | None = None
    concentrate_per_cycle: Rate | None = None
    concentrate_per_day: Rate | None = None
    dilution: Dilution | None = None
    height: HeightsFile = HeightsFile()
    distance: DistancesFile = DistancesFile()
    mist_distance: DistancesFile = DistancesFile()
    notice_days: Days | None = None
    wind_most: Speed | None = None


def stated(tables: Iterable[ProtectionFile]) -> tuple[Stated, ...]:
    """Every rule of every source, in the order of the file."""
    return tuple(one for table in tables for one in _of(table))


def _of(table: ProtectionFile) -> Iterator[Stated]:
    for rule in ("nozzle_flow", "cycles_per_day", *RATES, "dilution", "notice_days", "wind_most"):
        if (value := getattr(table, rule)) is not None:
            yield Stated(rule, "", float(value), table.source)
    for end in ("least", "greatest"):
        if (height_m := getattr(table.height, end)) is not None:
            yield Stated(f"height.{end}", "", height_m, table.source)
    for rule in DISTANCES:
        distances: DistancesFile = getattr(table, rule)
        for kind in DistancesFile.model_fields:
            if (distance_m := getattr(distances, kind)) is not None:
                yield Stated(rule, kind, distance_m, table.source)
