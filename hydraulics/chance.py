"""Random draws that do not depend on their order: each is a function of seed, source, part and sample.

A draw is the mix of a counter (splitmix64: Steele, Lea and Flood 2014, OOPSLA, memory), so a sample may be drawn alone,
in chunks of any size, and with one source left out while all others stay as they were.
"""

from __future__ import annotations

import math

import numpy as np

from hydraulics.compiled import jit

CUT = 2.0  # standard deviations from the middle of a normal spread to its ends, where it is cut
_BELOW_CUT = 0.5 * math.erfc(CUT / math.sqrt(2.0))

_GAMMA = np.uint64(0x9E3779B97F4A7C15)
_MIX_A, _MIX_B = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
_S11, _S27, _S30, _S31, _S32 = np.uint64(11), np.uint64(27), np.uint64(30), np.uint64(31), np.uint64(32)
_ONE = np.uint64(1)


@jit
def sample_key(seed: int, sample: int) -> np.uint64:
    """The key of a sample of a seed."""
    return _mix(_mix(np.uint64(seed) * _GAMMA + _ONE) + np.uint64(sample) * _GAMMA)


@jit
def uniform_draw(key: np.uint64, source: int, part: int) -> float:
    """A number of [0, 1) for a source of chance and a part of the network."""
    bits = _mix(key + ((np.uint64(source) << _S32) + np.uint64(part) + _ONE) * _GAMMA)
    return np.float64(bits >> _S11) * 2.0**-53


@jit
def spread_draw(low: float, high: float, normal: float, key: np.uint64, source: int, part: int) -> float:
    """A value of a spread, by the inverse of its distribution."""
    if low == high:
        return low
    u = uniform_draw(key, source, part)
    if normal == 0.0:
        return low + u * (high - low)
    at = normal_quantile(_BELOW_CUT + u * (1.0 - 2.0 * _BELOW_CUT)) / CUT
    return 0.5 * (low + high) + at * 0.5 * (high - low)


@jit
def _mix(x: np.uint64) -> np.uint64:
    x = (x ^ (x >> _S30)) * _MIX_A
    x = (x ^ (x >> _S27)) * _MIX_B
    return x ^ (x >> _S31)


@jit
def normal_quantile(p: float) -> float:
    """The standard normal quantile for 1e-10 < p < 1 - 1e-10: Wichura (1988), Applied Statistics 37, 477, AS 241
    (coefficients from memory; a test holds them against scipy)."""
    q = p - 0.5
    if abs(q) <= 0.425:
        r = 0.180625 - q * q
        top = ((((((2509.0809287301226727 * r + 33430.575583588128105) * r + 67265.770927008700853) * r
                  + 45921.953931549871457) * r + 13731.693765509461125) * r + 1971.5909503065514427) * r
               + 133.14166789178437745) * r + 3.3871328727963666080
        bottom = ((((((5226.4952788528545610 * r + 28729.085735721942674) * r + 39307.895800092710610) * r
                     + 21213.794301586595867) * r + 5394.1960214247511077) * r + 687.18700749205790830) * r
                  + 42.313330701600911252) * r + 1.0
        return q * top / bottom
    r = math.sqrt(-math.log(min(p, 1.0 - p))) - 1.6
    top = ((((((7.7454501427834140764e-4 * r + 0.0227238449892691845833) * r + 0.24178072517745061177) * r
              + 1.27045825245236838258) * r + 3.64784832476320460504) * r + 5.76949722146069140550) * r
           + 4.63033784615654529590) * r + 1.42343711074968357734
    bottom = ((((((1.05075007164441684324e-9 * r + 5.475938084995344946e-4) * r + 0.0151986665636164571966) * r
                 + 0.14810397642748007459) * r + 0.68976733498510000455) * r + 1.67638483018380384940) * r
              + 2.05319162663775882187) * r + 1.0
    return math.copysign(top / bottom, q)
