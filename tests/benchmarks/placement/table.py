"""The benchmark's tables as Markdown."""

from __future__ import annotations

from collections.abc import Iterator

from tests.benchmarks import protocol
from tests.benchmarks.placement.measure import TARGETS, Measured, Peer, Studied


def head() -> Iterator[str]:
    """Head of the table of `place`."""
    yield from protocol.head(
        "case", "rules", "ha", "line, m", "candidates", "cells", "merged", "shared weight", "N", "geometry, s",
        *(f"{target:.1%}, s" for target in TARGETS), "gap at the end", "end, s", "peak, MB",
    )  # fmt: skip


def row(found: Measured) -> str:
    """One case with one set of rules."""
    ours = found.ours
    return protocol.row(
        found.name, found.rules, f"{found.hectares:.1f}", f"{found.line_m:.0f}", str(found.candidates),
        str(found.raw_cells), str(found.merged_cells), f"{found.shared:.0%}", str(found.nozzles),
        f"{found.geometry_s:.1f}", *("-" if at is None else f"{at:.1f}" for at in ours.proven_s),
        f"{ours.gap:.3%}", f"{ours.seconds:.1f}", f"{found.peak_mb:.0f}",
    )  # fmt: skip


def peers_head(cap_s: float) -> Iterator[str]:
    """Head of the table of peers."""
    yield f"\nPeers on the same problems, asked for {TARGETS[-1]:.1%}, stopped after {cap_s:g} s by the clock:\n"
    names = "case", "rules", "peer", "value against ours", "gap it proves", "seconds", "ours, s", "ratio"
    yield from protocol.head(*names)


def peer_rows(found: Measured) -> Iterator[str]:
    """One line for each peer of a case."""
    for peer in found.peers:
        yield protocol.row(found.name, found.rules, *_peer(peer))


def _peer(peer: Peer) -> tuple[str, ...]:
    name = "spopt, both without spacing" if peer.name == "spopt" else peer.name
    answer, ours = peer.answer, peer.ours
    if answer is None:
        return name, "-", "-", "-", f"{ours.seconds:.1f}", "-"
    gap = "-" if answer.bound == float("inf") else f"{1.0 - answer.value / answer.bound:.3%}"
    ratio = f"{answer.seconds / ours.seconds:.1f}"
    return name, f"{answer.value / ours.value - 1.0:+.3%}", gap, f"{answer.seconds:.1f}", f"{ours.seconds:.1f}", ratio


def study_head() -> Iterator[str]:
    """Head of the table of whole studies."""
    yield from protocol.head("case", "rules", "N_max", "nozzles", "verified", "gap to V(N_max)", "seconds", "reason")


def study_row(found: Studied) -> str:
    """One case through `study`."""
    gap = "-" if found.gap is None else f"{found.gap:.3%}"
    return protocol.row(
        found.name, found.rules, str(found.nozzles_at_most), str(found.nozzles), "yes" if found.verified else "no",
        gap, f"{found.seconds:.0f}", found.reason,
    )  # fmt: skip
