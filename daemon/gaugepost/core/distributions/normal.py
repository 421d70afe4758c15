"""The standard normal distribution."""

from __future__ import annotations

import math

_ROOT_2 = math.sqrt(2)
_DENSITY_AT_0 = 1 / math.sqrt(2 * math.pi)
_STEPS = 3


def normal_density(z: float) -> float:
    """Return the standard normal probability density φ(z)."""
    return _DENSITY_AT_0 * math.exp(-0.5 * z * z)


def normal_cdf(z: float) -> float:
    """Return Φ(z), the probability of a standard normal value not above `z`; exact to the last digits in both tails."""
    return 0.5 * math.erfc(-z / _ROOT_2)


def normal_quantile(probability: float) -> float:
    """Return z with Φ(z) = `probability`, to 15 digits.

    Begins with the rational approximation 26.2.23 of Abramowitz and Stegun, right to 4.5e-4, and mends it by Halley's
    method, each step of which triples the digits.

    Raises:
        ValueError: `probability` is not between 0 and 1.
    """
    if not 0 < probability < 1:
        raise ValueError(f"a quantile's probability is between 0 and 1, not {probability}")
    if probability == 0.5:
        return 0.0
    if probability > 0.5:
        return -normal_quantile(1 - probability)  # exact: Φ loses no digits in the lower tail
    t = math.sqrt(-2 * math.log(probability))
    z = (2.515517 + t * (0.802853 + t * 0.010328)) / (1 + t * (1.432788 + t * (0.189269 + t * 0.001308))) - t
    for _ in range(_STEPS):
        away = (normal_cdf(z) - probability) / normal_density(z)
        z -= away / (1 + 0.5 * z * away)
    return z
