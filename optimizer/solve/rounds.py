"""Rounds of placing, feeding, verifying and refilling, for one pump type; the best verified trial is kept.

A round places as many nozzles as the circuits could feed at the real flows of the round before, so that the pumps are
used up to their reserve; head is always reckoned with flows that verification has to confirm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

from hydraulics.units import show_both
from optimizer.errors import NoDesign
from optimizer.placement.problem import PlacementProblem
from optimizer.placement.selection import Cover, Selection
from optimizer.solve.assemble import nozzle_names
from optimizer.solve.balance import balanced_limits, even_limits
from optimizer.solve.explore import Start
from optimizer.solve.placing import VALUE_TIE, Placed, Search, placed_for, without_least
from optimizer.solve.posed import chosen_in, limited
from optimizer.solve.servable import EASED, hardest, outside, servable, without
from optimizer.solve.supply import CircuitLimits, Supply, raised
from optimizer.solve.trial import (
    Feeder,
    Trial,
    fitting_limits,
    kept_pressures_pa,
    lowered,
    served_limits,
    surplus,
)

MOST_ROUNDS = 3
MOST_REPAIRS = 8
MOST_RESCUES = 24  # repairs while nothing is verified: each leaves positions or nozzles out
MOST_ANEW = 3  # times that a round is placed anew with fewer nozzles before single ones are dropped
SHED_SHARE = 0.1  # of the nozzles, that go where tubing cannot feed all
REPAIR_FACTORS = 2  # flow factors to try once a round knows one that keeps the band
REPAIR_SHARE = 0.3  # of the effort, that a run split gets after a refusal
GROWTH = 0.1  # of the nozzles, from round to round where tubing cannot feed as many as the pump
FEW = 20  # nozzles up to which one more a circuit is tried than fits at the mean flow: it may well take less
UNKEPT = "that the pumps cannot keep in the band"
ABOVE = "that stood above the band"
FAR = "that lie further than run_longest allows"
ON_RUNS = "to keep the rules on runs"
CALMER = 0.2  # of what a limit of drift was passed by, left free besides
RUN_RULES = ("run_nozzles", "balance")  # refusals that other limits of the circuits ease


@dataclass(frozen=True)
class Kept:
    """A trial with what the placement model says of it: weighted m² covered, and bound at the count asked for.

    problem: the placement, with the positions that could be chosen, for the count asked for.
    """

    trial: Trial
    problem: PlacementProblem
    value: float
    bound_at_count: float
    time_limit_hit: bool
    note: str

    @property
    def verified(self) -> bool:
        """The full nonlinear state confirms it."""
        return self.trial.design.verification.verified


@dataclass(frozen=True)
class Outcome:
    """The best trial of all rounds, and a sentence on each round."""

    kept: Kept
    rounds: tuple[str, ...]


def run_rounds(feeder: Feeder, start: Start, search: Search) -> Outcome:
    """Place, feed, verify and refill, at most three times.

    Raises NoDesign where not even the first round can be fed.
    """
    best: Kept | None = None
    told: list[str] = []
    limits, supply, base, proven = start.limits, start.supply, start.base, start.proven
    search = replace(search, effort=replace(search.effort, factor=start.factor))
    for number in range(1, MOST_ROUNDS + 1):
        try:
            placed = placed_for(feeder, supply, servable(feeder.instance, base, supply, proven), limits, search)
            kept = _Round(feeder, search, len(best.trial.layout.chosen) if best else 0).fed(supply, placed)
        except NoDesign:
            if best is None:
                raise
            break
        told.append(_sentence(number, kept))
        gained = best is None or better(kept, best)
        best = kept if best is None or gained else best
        limits, trial = fitting_limits(kept.trial), kept.trial
        proven = kept_pressures_pa(trial)
        if start.few:
            limits = _grown(served_limits(trial), limits)
        if _count(limits) <= len(trial.layout.chosen) < FEW and number == 1:
            limits = tuple(tuple(most + 1 for most in of_pump) for of_pump in limits)
        if (
            feeder.stop()
            or not (kept.verified and placed.full and gained)
            or _count(limits) <= len(trial.layout.chosen)
        ):
            break
        supply = replace(supply, set_pa=tuple(pump.set_pressure_pa for pump in trial.layout.problem.pumps))
        search = replace(search, effort=replace(search.effort, factor=trial.factor))
    assert best is not None
    return Outcome(best, tuple(told))


@dataclass(frozen=True)
class _Round:
    """One round of feeding a placement, with its repairs; beaten: nozzles that an earlier round already feeds."""

    feeder: Feeder
    search: Search
    beaten: int

    def fed(self, supply: Supply, placed: Placed) -> Kept:
        """A trial that keeps band and capacity, if repairs reach one.

        Too much flow: fewer nozzles are placed anew, at last the least valuable go. Band not kept: the set pressures
        rise a step, then positions that are hardest to serve, or stood outside the band, are left out. Raises NoDesign
        where nothing could be fed.
        """
        last: tuple[Trial, Placed] | None = None
        anew, effort = 0, self.search.effort
        for number in range(MOST_RESCUES):
            if number >= MOST_REPAIRS and last is not None and last[0].design.verification.verified:
                break
            try:
                trial = lowered(self.feeder.feed(supply, placed.chosen, placed.limits, effort))
            except NoDesign as refusal:
                effort = replace(self.search.effort, evaluations=REPAIR_SHARE * self.search.effort.evaluations)
                supply, placed = self._relieved(supply, placed, refusal)
                continue
            if not trial.band_kept:
                last = last or (trial, placed)
                supply, placed = self._out_of_band(supply, placed, trial)
                continue
            if trial.design.verification.run_faults:
                last = last or (trial, placed)
                placed = self._within_run_rules(supply, placed, balanced_limits(trial, placed.limits))
                continue
            if trial.design.verification.drift_faults:
                last = last or (trial, placed)
                placed = self._calmer(supply, placed, trial)
                continue
            last = trial, placed
            over = surplus(trial)
            if not over or self.feeder.stop():
                break
            anew += 1
            effort = replace(self.search.effort, factor=trial.factor, factors=REPAIR_FACTORS)
            supply = replace(supply, set_pa=tuple(pump.set_pressure_pa for pump in trial.layout.problem.pumps))
            placed = self._fewer(supply, placed, fitting_limits(trial), over, anew)
            if len(placed.chosen) <= self.beaten:
                break
        if last is None:
            raise NoDesign(
                "band",
                "No run split was found that keeps the band: raise the set pressure or offer wider tubing.",
            )
        return _kept(*last)

    def _fewer(self, supply: Supply, placed: Placed, limits: CircuitLimits, over: int, times: int) -> Placed:
        """Fewer nozzles, for pumps that would give more than capacity less reserve."""
        if times <= MOST_ANEW:
            return placed_for(self.feeder, supply, placed.base, limits, self.search, placed.chosen)
        why = "dropped to stay within the pump's capacity less its reserve"
        return without_least(replace(placed, limits=limits), over, why)

    def _relieved(self, supply: Supply, placed: Placed, refusal: NoDesign) -> tuple[Supply, Placed]:
        """After a refusal higher set pressures, or fewer nozzles without the positions that are hardest to serve."""
        instance = self.feeder.instance
        higher = raised(instance, supply)
        if higher is not None and refusal.rule == "band":
            return higher, placed
        if refusal.rule in RUN_RULES:
            return supply, self._within_run_rules(supply, placed, self._even(placed, refusal.rule))
        if refusal.rule not in EASED:
            raise refusal
        count = max(1, round(SHED_SHARE * len(placed.chosen)))
        barred = hardest(instance, placed.base, supply, placed.chosen, refusal, count)
        share = 1.0 - count / len(placed.chosen)
        fewer = tuple(tuple(max(1, ceil(share * most)) for most in of_pump) for of_pump in placed.limits)
        why = UNKEPT if refusal.rule == "band" else FAR
        return supply, self._elsewhere(supply, replace(placed, limits=fewer), barred, why, refusal)

    def _calmer(self, supply: Supply, placed: Placed, trial: Trial) -> Placed:
        """A placement that leaves drift the room that real flows, which differ from nozzle to nozzle, took."""
        basis, drift = trial.design.mist, trial.design.verification.drift
        assert basis is not None, "only limits of drift have faults"
        over = {limit.name: max(0.0, drift[limit.name] - limit.most) * (1.0 + CALMER) for limit in basis.limits}
        drifts = tuple(replace(one, excess=one.excess + over[one.name]) for one in placed.base.drifts)
        base = replace(placed.base, drifts=drifts)
        anew = placed_for(self.feeder, supply, base, placed.limits, self.search, placed.chosen)
        return replace(anew, note="positions chosen with some room below the limit of drift, for real flows differ")

    def _even(self, placed: Placed, rule: str) -> CircuitLimits:
        """Limits that let the circuits feed as many nozzles, more evenly where the rule is their balance."""
        share = self.feeder.instance.scenario.rules.circuit_balance
        if rule != "balance" or share is None:
            return placed.limits
        return even_limits(placed.limits, len(placed.chosen), share)

    def _within_run_rules(self, supply: Supply, placed: Placed, limits: CircuitLimits) -> Placed:
        """A placement for other limits of the circuits, or for fewer nozzles where they are the same. Raises NoDesign
        where none is left."""
        count = len(placed.chosen)
        if limits == placed.limits:
            share = (count - max(1, round(SHED_SHARE * count))) / sum(map(sum, limits))
            limits = tuple(tuple(max(1, int(share * most)) for most in of_pump) for of_pump in limits)
        if limits == placed.limits:
            raise NoDesign("run_rules", "No number of nozzles keeps the rules on runs: ease them or add a circuit.")
        problem = limited(placed.base, self.feeder.instance, supply, limits)
        counts = chosen_in(problem, placed.chosen)
        if all(n <= limit.most for n, limit in zip(counts, problem.limits, strict=True)):
            return replace(placed, limits=limits)
        anew = placed_for(self.feeder, supply, placed.base, limits, self.search, placed.chosen)
        return replace(anew, note=f"{_nozzles(count - len(anew.chosen))} fewer {ON_RUNS}")

    def _out_of_band(self, supply: Supply, placed: Placed, trial: Trial) -> tuple[Supply, Placed]:
        """Higher set pressures where some stand below the band, or the positions outside the band left out."""
        instance, proof = self.feeder.instance, trial.design.verification
        higher = raised(instance, supply) if proof.low_faults else None
        if higher is not None:
            return higher, placed
        at = {name: placed.chosen[k] for k, name in nozzle_names(trial.layout.plan).items()}
        low, high = ([at[name] for name in faults] for faults in (proof.low_faults, proof.high_faults))
        refusal = NoDesign(
            "band",
            f"{_nozzles(len(low) + len(high))} cannot keep the band at any set pressure, and no position that may move "
            "or is left mends it: widen the range of set pressures or offer wider tubing",
        )
        barred, why = outside(instance, placed.base, supply, low, high), UNKEPT if low else ABOVE
        return supply, self._elsewhere(supply, placed, barred, why, refusal)

    def _elsewhere(self, supply: Supply, placed: Placed, barred: set[int], why: str, refusal: NoDesign) -> Placed:
        """A placement without some positions. Raises the refusal where none of them was chosen or no other is left."""
        base = without(placed.base, barred)
        if not barred.intersection(placed.chosen) or len(base.barred) == base.candidates:
            raise refusal
        left = [j for j in placed.chosen if j not in barred]
        anew = placed_for(self.feeder, supply, base, placed.limits, self.search, left)
        return replace(anew, note=f"{len(barred)} positions left out {why}")


def _kept(trial: Trial, placed: Placed) -> Kept:
    value = Selection(Cover(placed.problem), trial.layout.chosen).value
    return Kept(trial, placed.problem, value, placed.placement.bound, placed.placement.time_limit_hit, placed.note)


def better(one: Kept, other: Kept) -> bool:
    """Verified first, then more value, then less cost."""
    if one.verified != other.verified:
        return one.verified
    if abs(one.value - other.value) > VALUE_TIE * max(one.value, other.value):
        return one.value > other.value
    return one.trial.cost < other.trial.cost


def _grown(served: CircuitLimits, most: CircuitLimits) -> CircuitLimits:
    """A tenth more nozzles than served, one at least, up to the most."""
    return tuple(
        tuple(min(n + ceil(GROWTH * n), m) for n, m in zip(*of_pump, strict=True))
        for of_pump in zip(served, most, strict=True)
    )


def _nozzles(count: int) -> str:
    return "1 nozzle" if count == 1 else f"{count} nozzles"


def _count(limits: CircuitLimits) -> int:
    return sum(sum(of_pump) for of_pump in limits)


def _sentence(number: int, kept: Kept) -> str:
    trial, proof = kept.trial, kept.trial.design.verification
    pressures = ", ".join(show_both(pump.set_pressure_pa, "pressure") for pump in trial.layout.problem.pumps)
    faults = [
        f"{len(found)} {name}"
        for name, found in (
            ("below the band", proof.low_faults),
            ("above the band", proof.high_faults),
            ("pump faults", proof.pump_faults),
            ("run rules broken", proof.run_faults),
            ("limits of drift passed", proof.drift_faults),
            ("beyond the tubing's rating", proof.tubing_faults),
        )
        if found
    ]
    state = "verified" if kept.verified else "not verified: " + ", ".join(faults)
    mended = f"; brought down from above the band by {trial.mended}" if trial.mended else ""
    left_out = f"; {kept.note}" if kept.note.endswith((ABOVE, FAR, ON_RUNS)) else ""
    return (
        f"round {number}: {len(trial.layout.chosen)} nozzles, set pressure {pressures}, flow factor "
        f"{trial.factor:.3f}, {kept.value:.1f} weighted m² covered, {state}{mended}{left_out}"
    )
