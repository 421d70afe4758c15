"""Student's t-distribution, for any degrees of freedom above 0, whole or not: effective ones (GUM, G.4) rarely are."""

from __future__ import annotations

import math
from functools import lru_cache

from gaugepost.core.distributions.normal import normal_cdf, normal_density, normal_quantile

_MANY = 1000
"""From here on the distribution is near enough to the normal for Hill's expansion."""
_MOST_STEPS = 60
_TERMS = tuple(map(float, range(1, 500)))
"""The numbers of a continued fraction's terms; as floats: a whole number among them costs as much as two."""
_NEAR = 1e-8
"""A step of Newton's method this small, relative, has doubled its digits to all there are."""


def student_density(t: float, degrees_of_freedom: float | None) -> float:
    """Return the probability density of Student's t; None stands for degrees of freedom without end (the normal)."""
    if degrees_of_freedom is None or math.isinf(degrees_of_freedom):
        return normal_density(t)
    nu = _checked(degrees_of_freedom)
    return _gammas(nu / 2) / math.sqrt(nu * math.pi) * math.exp(-0.5 * (nu + 1) * math.log1p(t * t / nu))


def student_cdf(t: float, degrees_of_freedom: float | None) -> float:
    """Return the probability of a value not above `t`, to 10 digits in both tails (as far as 1e-30); None as
    for the density.

    Raises:
        ValueError: the degrees of freedom are not above 0.
    """
    if degrees_of_freedom is None or math.isinf(degrees_of_freedom):
        return normal_cdf(t)
    tail = _tail(abs(t), _checked(degrees_of_freedom))
    return tail if t < 0 else 1 - tail


def student_quantile(probability: float, degrees_of_freedom: float | None) -> float:
    """Return t that a value is not above with `probability`; None as for the density.

    The coverage factor for a coverage of 95 % is that of 0.975, two-sided (GUM, G.3.4).

    Raises:
        ValueError: `probability` is not between 0 and 1, or the degrees of freedom are not above 0.
    """
    z = normal_quantile(probability)
    if degrees_of_freedom is None or math.isinf(degrees_of_freedom):
        return z
    nu = _checked(degrees_of_freedom)
    return -_upper(probability, -z, nu) if z < 0 else _upper(1 - probability, z, nu)


def _checked(degrees_of_freedom: float) -> float:
    if not degrees_of_freedom > 0:
        raise ValueError(f"degrees of freedom are above 0, not {degrees_of_freedom}")
    return degrees_of_freedom


def _upper(tail: float, t: float, nu: float) -> float:
    """Return what a value is above with probability `tail`, below 0.5; `t` is below it, since the normal's tails are.

    Newton's method: near the middle on the distribution, which is concave there, so that each step stays below; in the
    tail on the logarithms of both, which are nearly on one line however heavy it is.
    """
    for _ in range(_MOST_STEPS):
        here, density = _tail(t, nu), student_density(t, nu)
        if tail > 0.25:
            better = t + (here - tail) / density
        else:
            better = t * math.exp(math.log(here / tail) * here / (t * density))
        if abs(better - t) <= _NEAR * t:
            return better
        t = better
    return t


def _tail(t: float, nu: float) -> float:
    """Return the probability of a value above `t`, which is not below 0."""
    if nu >= _MANY:
        return _hill(t, nu)
    square = t * t
    inside, outside = nu / (nu + square), square / (nu + square)
    a = nu / 2
    if square <= 0:
        return 0.5
    front = math.exp(a * math.log(inside) + 0.5 * math.log(outside)) * _gammas(a) / math.sqrt(math.pi)
    if inside < (a + 1) / (a + 2.5):
        return 0.5 * front * _fraction(a, 0.5, inside) / a
    return 0.5 - front * _fraction(0.5, a, outside)


@lru_cache(maxsize=1024)  # the same for all values of one uncertainty
def _gammas(a: float) -> float:
    """Return Γ(a + 1/2)/Γ(a); by its asymptotic series where the logarithms of both would lose digits."""
    if a < 100:
        return math.exp(math.lgamma(a + 0.5) - math.lgamma(a))
    x = 1 / a
    return math.sqrt(a) * (1 - x / 8 + x**2 / 128 + 5 * x**3 / 1024 - 21 * x**4 / 32768)


def _fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function (DLMF 8.17.22), by Lentz's method.

    For what `_tail` asks its terms stay above -1, so that nothing here comes near a division by 0.
    """
    d = 1.0 / (1.0 - (a + b) * x / (a + 1.0))
    c, product = 1.0, d
    for m in _TERMS:
        at = a + 2.0 * m
        term = m * (b - m) * x / ((at - 1.0) * at)
        c, d = 1.0 + term / c, 1.0 / (1.0 + term * d)
        product *= c * d
        term = -(a + m) * (a + b + m) * x / (at * (at + 1.0))
        c, d = 1.0 + term / c, 1.0 / (1.0 + term * d)
        change = c * d
        product *= change
        if change == 1.0:  # to the last digit: what further terms do to the product is nothing
            break
    return product


def _hill(t: float, nu: float) -> float:
    """Return the upper tail by way of the normal (G. W. Hill, Algorithm 395, CACM 13 (1970) 617), for large `nu`."""
    a = nu - 0.5
    b = 48 * a * a
    y = a * math.log1p(t * t / nu)
    third = (((4 * y + 33) * y + 240) * y + 855) / (10 * b * (b + 0.8 * y * y + 100))
    return normal_cdf(-math.sqrt(y) * (1 + (y + 3) / b - third))
