"""How likely a design is to hold on site, where nothing is quite as drawn.

All circuits are sampled together: in each sample the water, the batches of tubing and a pump's drift are the same
wherever they are shared, and the sample holds if every nozzle of every circuit stays at or above the band's low edge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from hydraulics.errors import HydraulicsError
from hydraulics.network import TreeNetwork
from hydraulics.sampled import Parts
from hydraulics.sampler import Circuit, Sampler, Samples
from hydraulics.tolerance import SOURCES, Spread, Tolerances, wilson
from hydraulics.tornado import Ends, tornado
from hydraulics.units import show, show_both
from optimizer.brief import FieldTolerances
from optimizer.design import MANIFOLD, Design, Pump
from optimizer.errors import UnsoundDesign
from optimizer.verify import BAND_TOLERANCE, circuit_network

Floats = NDArray[np.float64]

ADVISED = 0.9  # yield below which a design is flagged where no least yield is asked for (common practice, no source)
MOST_WEAK = 5  # nozzles that are named
QUANTILES = (0.05, 0.5, 0.95)

WORDS = {
    "nozzle_flow": "flow of the nozzles",
    "bore_batch": "bore of a size's batch",
    "bore_tube": "bore of single tubes",
    "roughness": "roughness of the tubing",
    "minor_losses": "losses of fittings",
    "water_temperature_c": "water temperature",
    "set_drift_pa": "drift of the set pressure",
    "clogged": "a clogged nozzle",
    "leak": "a leaking fitting",
}


@dataclass(frozen=True)
class Weak:
    """A nozzle, the share of samples in which it is the lowest of all, and in which it is below the band."""

    nozzle: str
    circuit: str
    lowest_share: float
    below_share: float


@dataclass(frozen=True)
class Bar:
    """One source of difference: its ends in words, the worst nozzle's pressure with that source alone at each of them
    and all else as drawn, which end gives the higher pressure, and the yield if it were exactly as drawn."""

    source: str
    low: str
    high: str
    at_low_pa: float
    at_high_pa: float
    higher_at: str
    yield_without: float

    @property
    def swing_pa(self) -> float:
        """How far the worst nozzle moves between the ends."""
        return abs(self.at_high_pa - self.at_low_pa)


@dataclass(frozen=True)
class FieldYield:
    """Shares of the samples; interval: 95 % confidence of `share` (Wilson).

    share: every nozzle at or above the band's low edge; above_band: some nozzle above its high edge; above_limit: some
    pump that works above its limit, where its bypass opens; not_held: some pump unable to hold its set pressure. asked:
    the least yield, None where no rule asks for one; short_pa: what the worst nozzle lacks for the asked yield, or the
    advised one (below 0: spare). lowest_pa: quantiles 5, 50 and 95 % of the worst nozzle's pressure; drawn_pa: as
    drawn. residual: the worst of all.
    """

    share: float
    interval: tuple[float, float]
    asked: float | None
    samples: int
    seed: int
    low_pa: float
    above_band: float
    above_limit: float
    not_held: float
    drawn_pa: float
    lowest_pa: tuple[float, float, float]
    short_pa: float
    weakest: tuple[Weak, ...]
    tornado: tuple[Bar, ...]
    residual: float

    @property
    def least(self) -> float:
        """The least yield asked for, or the advised one."""
        return ADVISED if self.asked is None else self.asked

    @property
    def holds(self) -> bool:
        """Whether the yield is what is asked for, or advised."""
        return self.share >= self.least


@dataclass(frozen=True, eq=False)
class Field:
    """A design made ready to be sampled: its circuits that feed nozzles."""

    design: Design
    samplers: Mapping[str, Sampler]
    seed: int

    def held(self, tolerances: Tolerances, count: int) -> Held:
        """What so many samples give."""
        low_pa = self.design.verification.band_pa[0] * (1.0 - BAND_TOLERANCE)
        try:
            found = {c: one.samples(tolerances, low_pa, count, self.seed) for c, one in self.samplers.items()}
        except HydraulicsError as error:
            raise UnsoundDesign(f"a sampled state: {error}") from error
        return Held(self.design, found, low_pa)


@dataclass(frozen=True, eq=False)
class Held:
    """The samples of every circuit of a design, by its name."""

    design: Design
    of_circuit: Mapping[str, Samples]
    low_pa: float

    @cached_property
    def lowest_pa(self) -> Floats:
        """[S]: the worst nozzle's pressure in each sample."""
        return np.asarray(np.min([one.lowest_pa for one in self.of_circuit.values()], axis=0), dtype=np.float64)

    @property
    def count(self) -> int:
        """How many samples hold."""
        return int((self.lowest_pa >= self.low_pa).sum())

    @property
    def share(self) -> float:
        """The share of them."""
        return self.count / self.lowest_pa.size

    def short_pa(self, least: float) -> float:
        """What the worst nozzle lacks for a yield, below 0 where it has some to spare."""
        at = int((1.0 - least) * self.lowest_pa.size + 1e-9)
        return self.low_pa - float(np.sort(self.lowest_pa)[min(at, self.lowest_pa.size - 1)])

    def any_share(self, which: Sequence[NDArray[np.bool_]]) -> float:
        """The share of samples in which something is so on some circuit."""
        return float(np.logical_or.reduce(which).mean())


def field_of(design: Design, seed: int) -> Field:
    """The design ready to be sampled. Raises UnsoundDesign naming the circuit that has no steady state."""
    samplers = {}
    for number, pump in enumerate(design.pumps):
        for circuit in pump.circuits:
            if any(nozzle.circuit == circuit for nozzle in design.nozzles):
                samplers[circuit] = _sampler(design, number, pump, circuit)
    return Field(design, samplers, seed)


def yield_share(design: Design, asked: FieldTolerances, seed: int) -> Held:
    """The samples alone, for a search that asks again and again."""
    return field_of(design, seed).held(asked.differs, asked.samples)


def field_yield(design: Design, asked: FieldTolerances, seed: int) -> FieldYield:
    """How a design holds on site, and what decides it.

    Raises UnsoundDesign where a circuit, or a sample of it, has no steady state.
    """
    field = field_of(design, seed)
    held = field.held(asked.differs, asked.samples)
    high_pa = design.verification.band_pa[1] * (1.0 + BAND_TOLERANCE)
    least = ADVISED if asked.least_yield is None else asked.least_yield
    found = held.of_circuit
    quantiles = np.quantile(held.lowest_pa, QUANTILES)
    return FieldYield(
        share=held.share,
        interval=wilson(held.count, asked.samples),
        asked=asked.least_yield,
        samples=asked.samples,
        seed=seed,
        low_pa=design.verification.band_pa[0],
        above_band=held.any_share([one.highest_pa > high_pa for one in found.values()]),
        above_limit=held.any_share([_above_limit(_pump_of(design, c), one) for c, one in found.items()]),
        not_held=held.any_share([one.supply_pa < one.set_pa * (1.0 - 1e-6) for one in found.values()]),
        drawn_pa=design.verification.min_pressure_pa,
        lowest_pa=(float(quantiles[0]), float(quantiles[1]), float(quantiles[2])),
        short_pa=held.short_pa(least),
        weakest=tuple(_weakest(held)),
        tornado=tuple(_bars(field, asked)),
        residual=max(float(one.residual.max()) for one in found.values()),
    )


def _above_limit(pump: Pump, found: Samples) -> NDArray[np.bool_]:
    """[S]: where the pump works above its limit; where its bypass opens drifts with the set pressure."""
    works_pa = found.set_pa + (pump.works_pa - pump.set_pressure_pa)
    return np.asarray(works_pa > pump.limit_pa * (1.0 + BAND_TOLERANCE))


def _weakest(held: Held) -> list[Weak]:
    """The nozzles that are most often below the band, then most often the lowest of all."""
    count, weak = held.lowest_pa.size, []
    for circuit, found in held.of_circuit.items():
        network = circuit_network(held.design, _pump_of(held.design, circuit), circuit)[0]
        lowest = np.bincount(found.lowest_at[found.lowest_pa == held.lowest_pa], minlength=len(network.node_ids))
        at = {node: i for i, node in enumerate(network.node_ids)}
        for nozzle in held.design.nozzles:
            if nozzle.circuit == circuit:
                i = at[nozzle.node]
                weak.append(Weak(nozzle.id, circuit, float(lowest[i]) / count, float(found.below[i]) / count))
    told = [one for one in weak if one.lowest_share or one.below_share]
    return sorted(told, key=lambda one: (-one.below_share, -one.lowest_share, one.nozzle))[:MOST_WEAK]


def _bars(field: Field, asked: FieldTolerances) -> list[Bar]:
    """The tornado, the widest bar first: every circuit at the same end, the worst nozzle of all."""
    by_source: dict[str, list[Ends]] = {}
    for sampler in field.samplers.values():
        for ends in tornado(sampler, asked.differs):
            by_source.setdefault(ends.source, []).append(ends)
    bars = []
    for source in (source for source in SOURCES if source in by_source):
        low, high = (min(getattr(one, end) for one in by_source[source]) for end in ("at_low_pa", "at_high_pa"))
        without = field.held(asked.differs.without(source), asked.samples).share
        end = "neither end" if low == high else "high end" if high > low else "low end"
        bars.append(Bar(WORDS[source], *_end_words(source, asked.differs), float(low), float(high), end, without))
    return sorted(bars, key=lambda bar: (-bar.swing_pa, bar.source))


def _end_words(source: str, tolerances: Tolerances) -> tuple[str, str]:
    """What stands at the low and at the high end."""
    if source in ("clogged", "leak"):
        return "none", "one, at its worst"
    spread: Spread = getattr(tolerances, source)
    if source == "water_temperature_c":
        return show_both(spread.low, "temperature"), show_both(spread.high, "temperature")
    if source == "set_drift_pa":
        return _signed(spread.low, "pressure"), _signed(spread.high, "pressure")
    return f"{100.0 * spread.low:+.1f} %", f"{100.0 * spread.high:+.1f} %"


def _signed(value: float, kind: str) -> str:
    sign = "+" if value > 0 else ""
    return f"{sign}{show(value, kind, 'metric')} ({sign}{show(value, kind, 'us')})"


def _pump_of(design: Design, circuit: str) -> Pump:
    return next(pump for pump in design.pumps if circuit in pump.circuits)


def _sampler(design: Design, number: int, pump: Pump, circuit: str) -> Sampler:
    network, supply = circuit_network(design, pump, circuit)
    try:
        return Sampler(Circuit(network, supply, design.water, _parts(design, number, circuit, network)))
    except HydraulicsError as error:
        raise UnsoundDesign(f"circuit {circuit}: {error}") from error


def _parts(design: Design, pump: int, circuit: str, network: TreeNetwork) -> Parts:
    """Numbers over the whole design: a main is the same tube in all its circuits; a manifold is as built."""
    sizes = sorted({link.bore_m for link in design.links if link.tubing != MANIFOLD})
    size = {link.id: sizes.index(link.bore_m) for link in design.links if link.tubing != MANIFOLD}
    tube = {link.id: i for i, link in enumerate(design.links) if link.tubing != MANIFOLD}
    nozzle = {one.node: i for i, one in enumerate(design.nozzles) if one.circuit == circuit}
    circuits = [c for unit in design.pumps for c in unit.circuits]
    return Parts(
        size=np.array([size.get(link, 0) for link in network.link_ids], dtype=np.int64),
        tube=np.array([tube.get(link, -1) for link in network.link_ids], dtype=np.int64),
        nozzle=np.array([nozzle.get(node, 0) for node in network.node_ids], dtype=np.int64),
        pump=pump,
        circuit=circuits.index(circuit),
    )
