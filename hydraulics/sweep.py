"""Sweeps along a tree, leaves to root and back: compiled, since a row of nozzles leaves nothing to vectorise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hydraulics.compiled import jit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@jit
def sum_up(order: Ints, parent: Ints, flow: Floats) -> None:
    """Add to every node what hangs from it, in place; order: every node after its parent."""
    for k in range(len(order) - 1, 0, -1):
        flow[parent[order[k]]] += flow[order[k]]


@jit
def gather(order: Ints, parent: Ints, cut: Ints, lack: Floats, slope: Floats, a: Floats, b: Floats) -> None:
    """Make a and b, what each node takes and by how much more with its pressure, what its link takes: in place.

    dQ = a + b dp(cut), where dp = dp(cut) + lack - slope dQ along each link.
    """
    for k in range(len(order) - 1, 0, -1):
        i = order[k]
        share = 1 / (1 + b[i] * slope[i])
        a[i] = (a[i] + b[i] * lack[i]) * share
        b[i] *= share
        a[parent[i]] += a[i]
        b[cut[i]] += b[i]


@jit
def scatter(
    order: Ints, cut: Ints, lack: Floats, slope: Floats, a: Floats, b: Floats, dp: Floats, dq: Floats
) -> None:
    """Changes of pressure and flow from the root on, whose own dp[0] is given: in place."""
    dq[0] = a[0] + b[0] * dp[0]
    for k in range(1, len(order)):
        i = order[k]
        dq[i] = a[i] + b[i] * dp[cut[i]]
        dp[i] = dp[cut[i]] + lack[i] - slope[i] * dq[i]
