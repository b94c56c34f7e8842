"""The errors of hydraulics.

    HydraulicsError
    ├── UnitError       a text is no quantity of the kind asked for
    ├── RangeError      a value lies outside what a law or a record allows
    ├── NetworkError    a network is not sound, or of no shape that a solver takes; `faults` lists all
    └── SteadyError     no steady state can be given
        ├── NotConverged    the iteration ended before its residuals were met
        └── ColumnBreaks    the pressure at a node would fall below an absolute vacuum

Each message names the item, its value and the mend.
"""

from __future__ import annotations


class HydraulicsError(Exception):
    """Base of all errors of this package."""


class UnitError(HydraulicsError):
    """A text is no quantity of the kind asked for."""


class RangeError(HydraulicsError):
    """A value lies outside what a law or a record allows."""


class NetworkError(HydraulicsError):
    """A network is not sound, or of no shape that a solver takes."""

    def __init__(self, faults: tuple[str, ...]) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class SteadyError(HydraulicsError):
    """No steady state can be given; `node` names the worst place."""

    def __init__(self, node: str, message: str) -> None:
        super().__init__(message)
        self.node = node


class NotConverged(SteadyError):
    """The iteration ended before its residuals were met."""


class ColumnBreaks(SteadyError):
    """The pressure at a node would fall below an absolute vacuum."""
