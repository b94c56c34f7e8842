"""How a verified design runs: what its pumps have to do, what its tubing has to stand, how its circuits start."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from optimizer.appraisal.duty import PumpDuty, pump_duties
from optimizer.appraisal.start_up import CircuitStart, circuit_starts
from optimizer.design import Design
from optimizer.instance import Instance
from optimizer.tubing_load import Load, loads

UNKNOWN_START = "how the circuits fill cannot be told: their lines close loops, or no state on the way has a solution"


@dataclass(frozen=True)
class Running:
    """duties: of each pump unit on each of its circuits; loads: of each size of tubing; unfit: tubing that the option
    allows, but that does not stand what its pumps may bring up; starts: of each circuit."""

    duties: tuple[PumpDuty, ...]
    loads: tuple[Load, ...]
    unfit: tuple[str, ...]
    starts: tuple[CircuitStart, ...]

    def figures(self) -> dict[str, Any]:
        """The members of study.json."""
        return {
            "pump_duty": [asdict(duty) for duty in self.duties],
            "tubing_rating": [{**asdict(load), "sound": load.sound, "words": load.words} for load in self.loads],
            "tubing_left_out": self.unfit,
            "start_up": [asdict(start) for start in self.starts],
        }

    def remarks(self) -> tuple[str, ...]:
        """What a designer should read of it."""
        weak = (load.words for load in self.loads if not load.sound)
        unfit = f"tubing left out, for it may not stand the pressure: {', '.join(self.unfit)}"
        starts = tuple(text for start in self.starts for text in (start.words, *start.faults)) or (UNKNOWN_START,)
        return (*(duty.words for duty in self.duties), *weak, *((unfit,) if self.unfit else ()), *starts)


def running(instance: Instance, design: Design) -> Running:
    """How a design of an instance runs."""
    fit = {tube.name for tube in instance.tubing}
    unfit = tuple(name for name in instance.option.tubing if name not in fit)
    return Running(pump_duties(design), loads(design), unfit, circuit_starts(instance, design))


# members that are null where there is no design
NOT_RUNNING = ("pump_duty", "tubing_rating", "tubing_left_out", "start_up")
