"""How probable it is that the true value is inside the limits, and how far inside a value must be for a given one."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache

from gaugepost.core.conformity.doubt import Doubt
from gaugepost.core.distributions import student_cdf, student_density, student_quantile

_BARELY = 1e-12
"""A probability below this is told as 0, and one this near to 1 as 1 in any case."""
_STEPS = 60
_NEAR = 1e-6
"""A step of Newton's method this small, relative, that is far smaller than the one before has all digits."""


def conformance_probability(
    value_mm: Decimal, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt
) -> float:
    """Return the probability that the true value is inside the limits, both of them in play (JCGM 106:2012, 7)."""
    u, nu = doubt.standard_mm, doubt.degrees_of_freedom
    below = None if lower_mm is None else float(lower_mm - value_mm) / u
    above = None if upper_mm is None else float(upper_mm - value_mm) / u
    if below is None:
        return 1.0 if above is None else student_cdf(above, nu)
    if above is None:
        return student_cdf(-below, nu)
    if below > 0:  # seen from the tail that the limits are in, so that no digits are lost
        below, above = -above, -below
    return student_cdf(above, nu) - student_cdf(below, nu)


def kept(probability: float) -> Decimal:
    """Return a probability to the 6 significant digits that are kept."""
    return Decimal(f"{probability:.6g}") if probability >= _BARELY else Decimal(0)


@lru_cache(maxsize=1024)
def one_sided_factor(probability: float, degrees_of_freedom: float | None) -> float:
    """Return how many standard uncertainties a value must be inside of its only limit, for this probability."""
    return student_quantile(probability, degrees_of_freedom)


@lru_cache(maxsize=1024)
def exact_factor(
    probability: float, degrees_of_freedom: float | None, tolerance_in_u: float | None
) -> float | None:
    """Return how many standard uncertainties a value must be inside of a limit to conform with `probability`.

    `tolerance_in_u` is the distance of the limits in standard uncertainties, or None where there is only one. With two
    it solves F(T/u - g) + F(g) - 1 = p; None where even the middle is not as probable.
    Source: JCGM 106:2012, 7 and 8.3; derived.
    """
    factor = one_sided_factor(probability, degrees_of_freedom)
    if tolerance_in_u is None:
        return factor
    middle = tolerance_in_u / 2
    if 2 * student_cdf(middle, degrees_of_freedom) - 1 < probability:
        return None
    # Concave up to the middle, and below p at the one-sided factor: Newton's method stays on this side of the solution.
    step = middle
    for _ in range(_STEPS):
        lacking = probability - (
            student_cdf(factor, degrees_of_freedom) - student_cdf(factor - tolerance_in_u, degrees_of_freedom)
        )
        slope = student_density(factor, degrees_of_freedom) - student_density(
            tolerance_in_u - factor, degrees_of_freedom
        )
        if lacking <= 1e-15 or slope <= 0:
            break
        before, step = step, lacking / slope
        factor = min(factor + step, middle)
        if step < _NEAR * factor and step < 0.01 * before:
            break
    return factor
