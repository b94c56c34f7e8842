"""The size that the model must manage: 500 nozzles, 40,000 cells, 16 classes, 12 winds within 10 s on one core."""

from __future__ import annotations

import time

from tests.benchmarks.mist.cases import drawn


def test_a_large_site_takes_seconds() -> None:
    """Processor seconds, compiled code at hand; maps and the account together."""
    small, large = drawn(5, 2500), drawn(500, 40_000)
    assert large.sizes() == (500, 40_000, 16, 12)
    small.maps(), small.account()
    began = time.process_time()
    large.maps()
    made = large.account()
    assert time.process_time() - began < 10.0
    assert made.imbalance_share < 1e-6
