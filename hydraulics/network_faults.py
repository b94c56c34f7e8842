"""Values that no sound node, nozzle, link or reducer has, in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Nozzles(Protocol):
    """The nozzles of a network, arrays [N]."""

    @property
    def nozzle_k(self) -> Floats: ...
    @property
    def nozzle_p0_pa(self) -> Floats: ...
    @property
    def nozzle_n(self) -> Floats: ...


class Parts(Nozzles, Protocol):
    """Arrays by node (z_m and the nozzles) and by link of a network of either shape."""

    @property
    def z_m(self) -> Floats: ...
    @property
    def length_m(self) -> Floats: ...
    @property
    def bore_m(self) -> Floats: ...
    @property
    def roughness_m(self) -> Floats: ...
    @property
    def minor_k(self) -> Floats: ...
    @property
    def reducer_pa(self) -> Floats: ...
    @property
    def reducer_k(self) -> Floats: ...


class Rule(NamedTuple):
    """name of the values; sound: where they may stand; mend in words; of_link: they belong to links, not to nodes."""

    name: str
    values: Floats
    sound: Bools
    mend: str
    of_link: bool


def node_rules(network: Parts) -> Iterable[Rule]:
    """What nodes and nozzles must be; NaN fails every comparison, and infinite values all but the elevation's."""
    k, p0, n = network.nozzle_k, network.nozzle_p0_pa, network.nozzle_n
    none = k == 0
    yield Rule("z_m", network.z_m, np.isfinite(network.z_m), "give a finite elevation", False)
    yield Rule("nozzle_k", k, (k >= 0) & ~np.isinf(k), "give a number above 0, or 0 for no nozzle", False)
    yield Rule("nozzle_p0_pa", p0, ((p0 >= 0) & ~np.isinf(p0)) | none, "give at least 0", False)
    yield Rule("nozzle_n", n, ((n > 0) & (n <= 1)) | none, "give an exponent above 0 and at most 1", False)


def tubing_rules(network: Parts) -> Iterable[Rule]:
    """What links and their reducers must be; reducer_pa is NaN where there is none."""
    for name, values, sound, mend in (
        ("length_m", network.length_m, network.length_m >= 0, "give a length of at least 0"),
        ("bore_m", network.bore_m, network.bore_m > 0, "give a bore above 0"),
        ("roughness_m", network.roughness_m, network.roughness_m >= 0, "give at least 0"),
        ("minor_k", network.minor_k, network.minor_k >= 0, "give at least 0"),
    ):
        yield Rule(name, values, sound & ~np.isinf(values), mend, True)
    setting, loss, none = network.reducer_pa, network.reducer_k, np.isnan(network.reducer_pa)
    yield Rule("reducer_pa", setting, ((setting > 0) & ~np.isinf(setting)) | none,
               "give an outlet pressure above 0, on a link", True)
    yield Rule("reducer_k", loss, ((loss >= 0) & ~np.isinf(loss)) | none, "give at least 0", True)


def value_faults(rules: Iterable[Rule], nodes: Sequence[str], links: Sequence[str]) -> tuple[str, ...]:
    """All faults, each naming its place: nodes and links say in words where the values of an index stand."""
    return tuple(
        f"{(links if rule.of_link else nodes)[i]}: {rule.name} = {rule.values[i]:g}; {rule.mend}"
        for rule in rules
        for i in np.flatnonzero(~rule.sound).tolist()
    )
