"""Every public number of hydraulics carries its unit in its name, or is dimensionless and listed here."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterator
from typing import Any

import pytest

import hydraulics

UNITS = ("_pa", "_m", "_m3_s", "_kg_m3", "_pa_s", "_m_s2", "_pa_m", "_pa_s_m3", "_m3_s_pa", "temperature_c",
         "temperatures_c", "hottest_c", "temperature_k", "pressures_pa", "flows_m3_s", "deliveries_m3_s", "_w", "_v",
         "_a", "_m3", "_m_s", "_m2_s", "_s", "_per_s", "_per_litre", "_deg", "share", "shares")
DIMENSIONLESS = {
    "n", "nozzle_n", "minor_k", "reducer_k", "reynolds", "relative_roughness", "tolerance", "mass_residual",
    "energy_residual", "iterations", "parent", "open", "order", "friction_factor", "phases", "power_factor",
    "efficiency", "factor", "count", "first", "seed", "chunk", "s", "solved_one_by_one", "residual", "clogged_left",
    "clogged_share", "leak_chance", "hits", "trials", "z", "wilson", "share_above", "downwind", "slip",
    "supply", "from_node", "to_node", "node", "link", "sign", "supply_residual", "mask", "cards",
    "drag_over_stokes", "deviation", "exponent", "span", "directions",
}
# Results of different units, named in the docstring.
SEVERAL = {"gradient_and_slope", "solved", "loss_and_slope", "switched"}
# k of a nozzle is in m3/s per Pa^n, a unit that depends on n; k of a fitting counts velocity heads; a spread is of
# whatever it belongs to.
UNIT_DEPENDS = {"k", "nozzle_k", "k_of_loss", "low", "high"}
# Modules whose whole subject is units: what they take and give is named by an argument.
CONVERSION = {"hydraulics.units"}
# Linear equations of any network, whose callers choose the units.
ALGEBRA = {"hydraulics.elimination", "hydraulics.sweep"}
NUMBERS = ("float", "int", "ArrayLike", "Floats", "NDArray")


def names_of_numbers() -> Iterator[tuple[str, str]]:
    """(where, name) of each public parameter, field and function result annotated as a number or array."""
    for info in pkgutil.walk_packages(hydraulics.__path__, "hydraulics."):
        module = importlib.import_module(info.name)
        if info.name in CONVERSION | ALGEBRA:
            continue
        for name, item in vars(module).items():
            if not name.startswith("_") and getattr(item, "__module__", "") == info.name:
                yield from _names(f"{info.name}.{name}", name, item)


def _names(where: str, name: str, item: Any) -> Iterator[tuple[str, str]]:
    if inspect.isclass(item):
        if dataclasses.is_dataclass(item):
            yield from ((where, field.name) for field in dataclasses.fields(item) if _number(field.type))
        for method_name, method in vars(item).items():
            if inspect.isfunction(method) and not method_name.startswith("_"):
                yield from _names(f"{where}.{method_name}", method_name, method)
    elif inspect.isfunction(item):
        notes = dict(item.__annotations__)
        if _number(notes.pop("return", "")):
            yield where, name
        yield from ((where, parameter) for parameter, note in notes.items() if _number(note))


def _number(annotation: object) -> bool:
    return any(word in str(annotation) for word in NUMBERS)


def test_there_is_something_to_check() -> None:
    assert len(list(names_of_numbers())) > 60


@pytest.mark.parametrize(("where", "name"), sorted(set(names_of_numbers())))
def test_carries_its_unit(where: str, name: str) -> None:
    assert name.endswith(UNITS) or name in DIMENSIONLESS | UNIT_DEPENDS | SEVERAL, f"{where}: {name} carries no unit"
