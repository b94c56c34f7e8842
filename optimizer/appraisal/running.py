"""How a verified design runs: what its pumps have to do."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from optimizer.appraisal.duty import PumpDuty, pump_duties
from optimizer.design import Design


@dataclass(frozen=True)
class Running:
    """duties: of each pump unit on each of its circuits."""

    duties: tuple[PumpDuty, ...]

    def figures(self) -> dict[str, Any]:
        """The members of study.json."""
        return {"pump_duty": [asdict(duty) for duty in self.duties]}

    def remarks(self) -> tuple[str, ...]:
        """What a designer should read of it."""
        return tuple(duty.words for duty in self.duties)


def running(design: Design) -> Running:
    """How a design runs."""
    return Running(pump_duties(design))


NOT_RUNNING = ("pump_duty",)  # members that are null where there is no design
