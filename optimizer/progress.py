"""What a long calculation tells while it runs, and how it is asked to stop. No solver, no screen."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias


@dataclass(frozen=True)
class Progress:
    """One message of a running stage.

    stage, option: what is running, for which option of the study ("" where it does not matter);
    incumbent: best value known; bound: no answer can be better; gap: relative_gap of the two; each None
    before it is known; seconds: since the stage began; note: a few words for people.
    """

    stage: str
    option: str = ""
    incumbent: float | None = None
    bound: float | None = None
    gap: float | None = None
    seconds: float = 0.0
    note: str = ""


Report: TypeAlias = Callable[[Progress], None]
Stop: TypeAlias = Callable[[], bool]


def silent(_: Progress) -> None:
    """The report that nobody reads."""


def never() -> bool:
    """The stop that never comes."""
    return False


def named(report: Report, *, stage: str | None = None, option: str | None = None) -> Report:
    """`report` with stage or option of every message replaced: a caller names what its callee cannot know."""
    names = {key: text for key, text in (("stage", stage), ("option", option)) if text is not None}
    return lambda progress: report(replace(progress, **names))  # type: ignore[arg-type]


def relative_gap(incumbent: float, bound: float) -> float:
    """|bound - incumbent| over the larger magnitude of the two (0 for two zeros, inf without a finite bound).

    For a maximum with incumbent <= bound this is (bound - incumbent) / bound, the share that may be missing.
    """
    if not math.isfinite(incumbent) or not math.isfinite(bound):
        return math.inf
    scale = max(abs(incumbent), abs(bound))
    return abs(bound - incumbent) / scale if scale > 0.0 else 0.0
