"""The sound parts of a scenario's files, for the checks between them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from geometry.site import Site
from optimizer.catalogue import OnSale
from optimizer.input_file import Loc, TomlReader
from optimizer.protection_file import ProtectionFile
from optimizer.scenario_file import OptionFile, RulesFile, ScheduleFile, ServiceFile
from optimizer.weather_file import ClimateFile

Item = TypeVar("Item")


@dataclass(frozen=True)
class Parts:
    """The sound parts; None or absent where a part is at fault."""

    reader: TomlReader
    rules: RulesFile | None
    schedules: tuple[tuple[Loc, ScheduleFile], ...]
    service: ServiceFile | None
    options: tuple[tuple[Loc, OptionFile], ...]
    on_sale: OnSale
    site: Site | None
    site_file: str
    climate: ClimateFile | None = None
    protection: tuple[tuple[Loc, ProtectionFile], ...] = ()


def usable(sound: dict[str, Item], asked: Iterable[Iterable[str]]) -> list[Item]:
    """The sound items that some option may use; an option that names none may use all."""
    names = [set(option) for option in asked]
    return [item for name, item in sound.items() if any(not named or name in named for named in names)]
