"""Errors of the geometry package.

GeometryError
├── SiteFaults        a site description is at fault; carries every fault found
└── ArgumentError     a function was called with a value that it cannot work with (a step of 0 m, say)
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One fault of an input: the path to the item, the offending value, what is wrong and how to mend it."""

    path: str
    value: str
    problem: str
    mend: str

    def __str__(self) -> str:
        found = f" (found {self.value})" if self.value else ""
        return f"{self.path}: {self.problem}{found}; {self.mend}"


class GeometryError(Exception):
    """Root of all errors that geometry raises on purpose."""


class SiteFaults(GeometryError):
    """A site description is at fault; `faults` holds every fault found, in the order of the file."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class ArgumentError(GeometryError):
    """A parameter lies outside what a function can work with; the message names parameter and value."""
