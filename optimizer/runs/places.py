"""Where the contracted model's tubes meet: lists of passes, stubs and nozzles by place."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.runs.contracted import Contracted


@dataclass(frozen=True)
class Places:
    """Where passes, stubs and nozzles on junctions meet: lists of their numbers by place, empty ones left out."""

    into: dict[tuple[int, int], list[int]]
    out_of: dict[tuple[int, int], list[int]]
    along: dict[tuple[int, int], list[int]]
    stubs_at: dict[tuple[int, int], list[int]]
    stubs_along: dict[tuple[int, int], list[int]]
    own_at: dict[tuple[int, int], list[tuple[int, int]]]
    reach: list[tuple[int, int]]


def places(data: Contracted) -> Places:
    """by (circuit, junction): into, out_of, stubs_at, own_at; by (circuit, segment): along; by (circuit, way):
    stubs_along.
    """
    found = Places({}, {}, {}, {}, {}, {}, [])
    for a, one in enumerate(data.passes):
        found.into.setdefault((one.circuit, one.end), []).append(a)
        found.out_of.setdefault((one.circuit, one.start), []).append(a)
        found.along.setdefault((one.circuit, one.way // 2), []).append(a)
    for t, stub in enumerate(data.stubs):
        found.stubs_at.setdefault((stub.circuit, stub.start), []).append(t)
        found.stubs_along.setdefault((stub.circuit, stub.way), []).append(t)
    for c, k in owns(data):
        found.own_at.setdefault((c, data.prepared.spot[k]), []).append((c, k))
    found.reach.extend(sorted({*found.into, *found.out_of, *found.stubs_at, *found.own_at, *pumps(data)}))
    return found


def owns(data: Contracted) -> list[tuple[int, int]]:
    """(circuit, nozzle on a junction) that group and height allow."""
    may_feed = data.prepared.may_feed
    return [(c, k) for c in range(len(may_feed)) for k in data.at_junctions if may_feed[c][k]]


def pumps(data: Contracted) -> list[tuple[int, int]]:
    """(circuit, its pump's junction)."""
    prepared = data.prepared
    return [(c, prepared.root[circuit.pump]) for c, circuit in enumerate(prepared.problem.circuits)]
