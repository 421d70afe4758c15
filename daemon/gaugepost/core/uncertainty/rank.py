"""How much of what repeats comes through in the one of several sizes that is taken: rank-order sizes (ISO 14405-1).

The largest of equal sizes reads too large, because one of the readings does. How far is not known beforehand: where the
sizes differ by more than repeatability, only one reading counts. So the most that it can be is stated, as root mean
square in repeatabilities of one reading; what all readings have in common comes through whole.
"""

from __future__ import annotations

import math
from functools import lru_cache

from gaugepost.core.distributions import normal_cdf, normal_density

_REACH, _STEPS = 9.0, 1800
"""How far out, and in how many steps, is integrated: beyond is nothing of six digits."""


@lru_cache(maxsize=256)
def of_largest(sizes: int) -> float:
    """Return the root mean square of the largest of so many standard normal values, to 6 digits; of one it is 1."""
    width = 2 * _REACH / _STEPS
    total = 0.0
    for step in range(_STEPS + 1):
        z = -_REACH + step * width
        total += z * z * sizes * normal_density(z) * normal_cdf(z) ** (sizes - 1)
    return float(f"{math.sqrt(total * width):.6g}")


def of_median(sizes: int) -> float:
    """Return the most for a median: that of the largest of those up to the middle, where the others are far above."""
    return of_mean(2) if sizes == 2 else of_largest(sizes // 2 + 1)


def of_mid_range(sizes: int) -> float:
    """Return the most for the middle of largest and smallest: one size is far away from all others, that are equal."""
    return float(f"{math.sqrt(of_largest(sizes - 1) ** 2 + 1) / 2:.6g}") if sizes > 1 else 1.0


def of_mean(sizes: int) -> float:
    """Return what comes through in a mean."""
    return 1 / math.sqrt(sizes)
