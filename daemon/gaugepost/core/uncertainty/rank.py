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
_COARSE = 0.1
"""Step of the double integral: sums of smooth bells are as good with few steps."""


@lru_cache(maxsize=256)
def of_largest(sizes: int) -> float:
    """Return the root mean square of the largest of so many standard normal values, to 6 digits; of one it is 1."""
    return float(f"{math.sqrt(_moment(sizes, 2)):.6g}")


def _moment(sizes: int, order: int) -> float:
    """Return the mean of a power of the largest of so many standard normal values."""
    width = 2 * _REACH / _STEPS
    total = 0.0
    for step in range(_STEPS + 1):
        z = -_REACH + step * width
        total += z**order * sizes * normal_density(z) * normal_cdf(z) ** (sizes - 1)
    return total * width


def of_median(sizes: int) -> float:
    """Return the most for a median: that of the largest of those up to the middle, where the others are far above."""
    return of_mean(2) if sizes == 2 else of_largest(sizes // 2 + 1)


def of_mid_range(sizes: int) -> float:
    """Return the most for the middle of largest and smallest: one size is far away from all others, that are equal."""
    return float(f"{math.sqrt(of_largest(sizes - 1) ** 2 + 1) / 2:.6g}") if sizes > 1 else 1.0


@lru_cache(maxsize=256)
def of_range(sizes: int, ranges: int = 1) -> float:
    """Return the root mean square of the largest minus the smallest of so many standard normal values, to 6 digits.

    With several such `ranges`, of the largest of them.

    No range of sizes is off by more than the range of what repeats in them, whatever the sizes are: tight at equal
    ones. A range's distribution is n·∫φ(z)·(Φ(z+w)−Φ(z))ⁿ⁻¹dz; of one it is 0, of two √2.
    """
    if sizes < 2:
        return 0.0
    count = round(2 * _REACH / _COARSE)
    cdf = [normal_cdf(-_REACH + step * _COARSE) for step in range(2 * count + 1)]
    density = [normal_density(-_REACH + step * _COARSE) for step in range(count + 1)]
    total = _COARSE * _COARSE / 6  # half a step at 0, where 2·w·(1−F) rises by 2 (Euler and Maclaurin)
    for step in range(1, count + 1):
        below = sum(density[at] * (cdf[at + step] - cdf[at]) ** (sizes - 1) for at in range(count + 1))
        total += 2 * step * _COARSE * (1 - (sizes * below * _COARSE) ** ranges) * _COARSE
    return float(f"{math.sqrt(total):.6g}")


@lru_cache(maxsize=256)
def of_ends(largest: int, smallest: int) -> float:
    """Return the most for a range where only so many sizes may be the largest, and so many others the smallest.

    √2 where one size is far above all others and one far below: only then is largest minus smallest linear.
    """
    means = 2 * _moment(largest, 1) * _moment(smallest, 1)
    return float(f"{math.sqrt(_moment(largest, 2) + _moment(smallest, 2) + means):.6g}")


@lru_cache(maxsize=64)
def of_farthest(sizes: int) -> float:
    """Return the root mean square of the one farthest from 0 of so many standard normal values, either way."""
    width = _REACH / _STEPS
    total = 0.0
    for step in range(1, _STEPS + 1):
        z = step * width
        total += z * z * 2 * sizes * normal_density(z) * (2 * normal_cdf(z) - 1) ** (sizes - 1)
    return float(f"{math.sqrt(total * width):.6g}")


def of_mean(sizes: int) -> float:
    """Return what comes through in a mean."""
    return 1 / math.sqrt(sizes)
