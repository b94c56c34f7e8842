"""Seconds of a solve by stage, and the stop that a time limit adds to the user's."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from optimizer.progress import Stop


@dataclass
class Clock:
    """Seconds by stage; limit_hit: whether the time limit, None for none, has ended a search."""

    stop: Stop
    limit_s: float | None
    seconds: dict[str, float] = field(default_factory=dict)
    limit_hit: bool = False
    began: float = field(default_factory=time.perf_counter)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count the seconds within as those of a stage."""
        start = time.perf_counter()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start

    def stopped(self) -> bool:
        """Whether the user or the time limit asks to end."""
        if self.limit_s is not None and time.perf_counter() - self.began > self.limit_s:
            self.limit_hit = True
        return self.limit_hit or self.stop()
