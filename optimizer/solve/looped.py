"""Closed loops, where one saves more than it costs: a local improvement of a tree, each verified by the looped solve.

A tube is laid along free corridors from one point of a circuit's tubing to another, and what water coming from both
sides allows is made narrower, stretch by stretch; sizes change at tees, or where they did. Which loops are tried is a
matter of rank: most difference of pressure for the least cost first. No bound says that no better loop exists.
"""

from __future__ import annotations

from dataclasses import dataclass

from hydraulics.units import show_both
from optimizer.progress import Stop
from optimizer.runs.plan import PieceUse
from optimizer.runs.segments import TURN_DEG, turn_deg
from optimizer.solve.assemble import Layout, nozzle_names
from optimizer.solve.held import held
from optimizer.solve.loop_ways import Way, ways
from optimizer.solve.narrowed import cheaper, circuit_name, narrowed, reduced_circuits, sizes_in_use, with_pieces
from optimizer.solve.priced import priced
from optimizer.solve.trial import Trial

MOST_LOOPS = 2  # a circuit
MOST_WAYS = 8  # tried for each


@dataclass(frozen=True)
class Looped:
    """A trial whose circuits close loops, and a sentence on each loop; none: the trial as it was."""

    trial: Trial
    words: tuple[str, ...]


def looped(trial: Trial, stop: Stop) -> Looped:
    """The trial with the loops that lower its price, verified; as it is where none does or it is not verified itself.

    Circuits with pressure reducers stay trees.
    """
    words: list[str] = []
    reduced = reduced_circuits(trial.layout)
    for circuit in range(len(trial.layout.plan.circuits)):
        name = circuit_name(trial.layout, circuit)
        if name in reduced or not held(trial).verification.verified:
            continue
        joints: tuple[int, ...] = ()
        while len(joints) < 2 * MOST_LOOPS and not stop():
            found = _best(trial, circuit, joints, stop)
            if found is None:
                break
            way, better = found
            joints += (way.points[0], way.points[-1])
            words.append(_words(trial, better, name, way))
            trial = better
    return Looped(trial, tuple(words))


def _best(trial: Trial, circuit: int, joints: tuple[int, ...], stop: Stop) -> tuple[Way, Trial] | None:
    """The loop of a circuit that saves most; None where none saves anything."""
    found: list[tuple[float, int, Way, Trial]] = []
    for number, way in enumerate(ways(trial, circuit)[:MOST_WAYS]):
        if stop():
            break
        ends = (*joints, way.points[0], way.points[-1])
        tried = cheaper(trial, narrowed(_closed(trial.layout, circuit, way), circuit, ends, stop))
        if tried is not None:
            found.append((priced(tried.layout, tried.design).price, number, way, tried))
    if not found:
        return None
    _, _, way, tried = min(found, key=lambda one: one[:2])
    return way, tried


def _words(before: Trial, after: Trial, circuit: str, way: Way) -> str:
    made = before.layout
    names = {int(made.problem.layout.nozzle_point[k]): name for k, name in nozzle_names(made.plan).items()}
    ends = " and ".join(names.get(point, f"the tee at {circuit}-{point}") for point in (way.points[0], way.points[-1]))
    length = show_both(float(made.problem.layout.length_m[list(way.pieces)].sum()), "length")
    return f"a loop of {length} on {circuit} joins {ends} and lets narrower tubing do: {_saved(before, after)}"


def _saved(before: Trial, after: Trial) -> str:
    saved = priced(before.layout, before.design).price - priced(after.layout, after.design).price
    return f"{saved:.2f} {before.layout.instance.scenario.catalogue.currency} saved"


def _closed(made: Layout, circuit: int, way: Way) -> Layout:
    """The layout with a tube along the way, in the widest size in use; a tee branch at both ends, elbows between."""
    plan, k, ground = made.plan.circuits[circuit], made.problem.k, made.problem.layout
    run = next((use.run for use in plan.pieces if way.points[0] in (use.from_point, use.to_point)), 0)
    headings = [
        float(ground.azimuth_deg[piece]) + (0.0 if int(ground.tail[piece]) == start else 180.0)
        for piece, start in zip(way.pieces, way.points, strict=False)
    ]
    losses = [k.elbow if i and turn_deg(headings[i - 1], headings[i]) > TURN_DEG else 0.0 for i in range(len(headings))]
    losses[0] += k.tee_branch
    losses[-1] += k.tee_branch
    size = sizes_in_use(made)[-1]
    uses = [PieceUse(piece, start, end, size, run, loss)
            for piece, start, end, loss in zip(way.pieces, way.points[:-1], way.points[1:], losses, strict=True)]
    return with_pieces(made, circuit, (*plan.pieces, *uses))


