"""Errors of the application; each says which exit status it ends a command with.

    HaarlineError            1   anything that this application raises on purpose
    +-- InputFaults          2   the files are at fault; `.faults` holds every fault found, not the first
    +-- DesignFileError      2   a design.json that cannot be read as a design
        +-- UnsoundDesign    3   it can be read, but its network, references or polygons cannot be as written
    +-- NoDesign             3   no design meets the rules; `.rule` names the rule in conflict
        +-- Unfed            3   tubing cannot bring a nozzle into the band; `.nozzle` is its number in the run problem
    +-- SolverError          1   the solver broke down or gave an answer that contradicts itself
        +-- SolverLimit      3   a limit was reached before any feasible answer was known

Every error is picklable with its attributes, so it crosses process borders unchanged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


class HaarlineError(Exception):
    """Root of the tree."""

    exit_status: ClassVar[int] = 1


@dataclass(frozen=True)
class InputFault:
    """One fault of an input file.

    file: file as named to the user; path: item inside it, "" for the whole file; value: what was found there,
    "" where nothing was; problem: what is wrong; mend: what to do about it.
    """

    file: str
    path: str
    value: str
    problem: str
    mend: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.path}" if self.path else self.file
        found = f" (found {self.value})" if self.value else ""
        return f"{place}: {self.problem}{found}; {self.mend}"


class InputFaults(HaarlineError):
    """The input is at fault; every fault found is listed, one a line."""

    exit_status = 2

    def __init__(self, faults: tuple[InputFault, ...]) -> None:
        super().__init__(faults)
        self.faults = faults

    def __str__(self) -> str:
        count = len(self.faults)
        heading = "1 fault in the input:" if count == 1 else f"{count} faults in the input:"
        return "\n".join([heading, *(f"  {fault}" for fault in self.faults)])


class DesignFileError(HaarlineError):
    """A design file cannot be read as a design; the message names file, item and mend."""

    exit_status = 2


class UnsoundDesign(DesignFileError):
    """A design that was read cannot be as it is written, so nothing proves it; the message names what is off."""

    exit_status = 3


class NoDesign(HaarlineError):
    """No design meets the rules.

    rule: the rule in conflict, as scenario.toml or this program names it (`reserve`, `spacing`, `band`, ...);
    message: a sentence that a designer can act on.
    """

    exit_status = 3

    def __init__(self, rule: str, message: str) -> None:
        super().__init__(rule, message)
        self.rule = rule
        self.message = message

    def __str__(self) -> str:
        return f"{self.message} (rule: {self.rule})"


class Unfed(NoDesign):
    """Tubing cannot bring a nozzle into the band. nozzle: its number in the run problem."""

    def __init__(self, rule: str, message: str, nozzle: int) -> None:
        super().__init__(rule, message)
        self.nozzle = nozzle
        self.args = (rule, message, nozzle)


class SolverError(HaarlineError):
    """The solver broke down, or its answer contradicts itself."""


class SolverLimit(SolverError):
    """A limit was reached before any feasible answer was known."""

    exit_status = 3
