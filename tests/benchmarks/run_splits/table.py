"""The benchmark's tables as Markdown."""

from __future__ import annotations

from collections.abc import Iterator

from tests.benchmarks import protocol
from tests.benchmarks.run_splits.measure import GAP_TARGETS, Measured


def head() -> Iterator[str]:
    """Head of the table of cases."""
    yield from protocol.head(
        "case", "segments", "verified", "verified after, s", "cost, highest flows", "cost, real flows", "flow factor",
        "found after, s", "spread of seeds", "slowest seed, s", "bound", "gap", "gap with units",
        *(f"{target:.1%}, s" for target in GAP_TARGETS), "proving, s", "one model built, s", "share", "peak, MB",
    )  # fmt: skip


def row(found: Measured) -> str:
    """One case."""
    fed, proof = found.fed, found.bounded
    with_units = (proof.plan.cost - proof.bound) / (proof.plan.cost + found.case.units_cost)
    return protocol.row(
        found.case.name, str(found.segments), "yes" if fed.verified else "no", f"{fed.safe_s:.1f}",
        f"{fed.safe.cost:.0f}", f"{proof.plan.cost:.0f}", f"{fed.factor:.3f}", f"{fed.seconds:.1f}",
        f"{found.spread:.2%}", f"{found.slowest_s:.1f}", f"{proof.bound:.0f}", f"{proof.gap:.2%}", f"{with_units:.2%}",
        *("-" if at is None else f"{at:.1f}" for at in proof.reached_s), f"{proof.seconds:.1f}",
        f"{proof.build_s:.2f}", f"{proof.build_s / proof.seconds:.0%}", f"{found.peak_mb:.0f}",
    )  # fmt: skip


def peers_head() -> Iterator[str]:
    """Head of the table of peers."""
    yield "\nPeers on the same problems, every nozzle at its highest flow:\n"
    yield from protocol.head("case", "peer", "cost", "against ours", "gap it proves", "seconds", "ours, s", "ratio")


def peer_rows(found: Measured) -> Iterator[str]:
    """One line for each peer of a case."""
    ours = found.fed
    for name, answer in found.peers:
        if answer is None:
            yield protocol.row(found.case.name, name, "-", "-", "-", "-", f"{ours.safe_s:.1f}", "-")
            continue
        gap = "-" if answer.bound == float("-inf") else f"{1.0 - answer.bound / answer.cost:.2%}"
        yield protocol.row(
            found.case.name, name, f"{answer.cost:.0f}", f"{answer.cost / ours.safe.cost - 1.0:+.2%}", gap,
            f"{answer.seconds:.1f}", f"{ours.safe_s:.1f}", f"{answer.seconds / ours.safe_s:.1f}",
        )  # fmt: skip
