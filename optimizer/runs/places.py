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
    stubs_along: dict[tuple[int, int], list[int]]
    stubs_at: dict[tuple[int, int], list[int]]
    own_at: dict[tuple[int, int], list[tuple[int, int]]]
    ways_at: dict[tuple[int, int], list[tuple[int, int]]]
    reach: list[tuple[int, int]]


def places(data: Contracted) -> Places:
    """by (layer, junction): into, out_of, stubs_at, own_at, ways_at (shared parts' ways that start there); by (layer,
    segment): along; by (layer, way): stubs_along; reach: all (layer, junction) where something is.
    """
    found = Places({}, {}, {}, {}, {}, {}, {}, [])
    for a, one in enumerate(data.passes):
        found.into.setdefault((one.layer, one.end), []).append(a)
        found.out_of.setdefault((one.layer, one.start), []).append(a)
        found.along.setdefault((one.layer, one.way // 2), []).append(a)
    for t, stub in enumerate(data.stubs):
        found.stubs_along.setdefault((stub.layer, stub.way), []).append(t)
        found.stubs_at.setdefault((stub.layer, stub.start), []).append(t)
    for layer, k in owns(data):
        found.own_at.setdefault((layer, data.prepared.spot[k]), []).append((layer, k))
    for layer, w in draws(data):
        found.ways_at.setdefault((layer, data.prepared.segments.ways[w].start), []).append((layer, w))
    everywhere = {*found.into, *found.out_of, *found.stubs_at, *found.own_at, *found.ways_at}
    found.reach.extend(sorted({*everywhere, *((layer, v) for layer, v, _ in starts(data))}))
    return found


def owns(data: Contracted) -> list[tuple[int, int]]:
    """(layer, nozzle on a junction) that group and height allow."""
    may_feed = data.prepared.may_feed
    return [
        (number, k)
        for number, layer in enumerate(data.layers)
        for k in data.at_junctions
        if any(may_feed[c][k] for c in layer.circuits)
    ]


def draws(data: Contracted) -> list[tuple[int, int]]:
    """(shared layer, way of a part of its group)."""
    return [
        (number, w)
        for number, layer in enumerate(data.layers)
        for s, group in sorted(data.parts)
        for w in (2 * s, 2 * s + 1)
        if layer.shared and layer.group == group
    ]


def starts(data: Contracted) -> list[tuple[int, int, int]]:
    """(layer, junction of a pump, nozzles that its circuits take at most), pumps at one junction together."""
    room: dict[tuple[int, int], int] = {}
    for number, layer in enumerate(data.layers):
        for root in layer.roots:
            key = number, root.junction
            room[key] = room.get(key, 0) + root.room
    return [(*key, most) for key, most in sorted(room.items())]


def layers_of_group(data: Contracted, group: int) -> list[int]:
    """Layers that may feed a schedule group's nozzles."""
    return [number for number, layer in enumerate(data.layers) if layer.group == group]
