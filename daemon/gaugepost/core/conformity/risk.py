"""Consumer's and producer's risk: how often a decision rule goes wrong on the pieces of a process (JCGM 106:2012, 9).

Global risks are those of a piece drawn from the process before it is measured, specific ones those of a piece that has
shown its value. The process is taken as normal about its mean, and so is the measurement about the true size, or as
Student's t where its uncertainty rests on few observations.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from gaugepost.core.conformity.doubt import Doubt
from gaugepost.core.conformity.rules import Rule
from gaugepost.core.conformity.zones import acceptance_limits
from gaugepost.core.distributions import normal_cdf, normal_density, student_cdf, student_density

Limits = tuple[Decimal | None, Decimal | None]

_REACH = 10
"""How many standard deviations of the process are looked at: what lies beyond is less than 1e-22."""
_NODES = (
    (0.0, 0.5688888888888889),
    (0.5384693101056831, 0.4786286704993665),
    (-0.5384693101056831, 0.4786286704993665),
    (0.9061798459386640, 0.2369268850561891),
    (-0.9061798459386640, 0.2369268850561891),
)
"""Gauss-Legendre quadrature with five nodes (Abramowitz and Stegun, table 25.4)."""


@dataclass(frozen=True, slots=True)
class Process:
    """The sizes that a process makes, in mm."""

    mean_mm: Decimal
    spread_mm: float
    """Standard deviation of the true sizes, above 0."""


@dataclass(frozen=True, slots=True)
class Risks:
    """Global risks and what they are made of: probabilities for a piece drawn from the process."""

    consumer: float
    """It is nonconforming and accepted."""
    producer: float
    """It is conforming and not accepted."""
    nonconforming: float
    """It is nonconforming."""
    accepted: float
    """It is accepted."""


def global_risks(
    rule: Rule, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt, process: Process
) -> Risks:
    """Return the risks of deciding by `rule` (JCGM 106:2012, 9.5); what is undecided counts as not accepted."""
    limits = _from_mean((lower_mm, upper_mm), process)
    accepting = acceptance_limits(rule, lower_mm, upper_mm, doubt)
    ends = None if accepting is None else _from_mean(accepting, process)
    s, u, nu = process.spread_mm, doubt.standard_mm, doubt.degrees_of_freedom

    def made(size: float) -> float:
        return normal_density(size / s) / s

    def accepted_then(size: float) -> float:
        if ends is None:
            return 0.0
        return _between(lambda z: student_cdf(z, nu), ends, size, u)

    steps = [*_about(0.0, s, s), *_about_ends(ends or (None, None), u, s)]
    inside = _within(limits, s)
    conforming = _between(normal_cdf, limits, 0.0, s)
    conforming_accepted = _integral(lambda size: made(size) * accepted_then(size), steps, *inside)
    lower, upper = inside
    consumer = _integral(lambda size: made(size) * accepted_then(size), steps, -_REACH * s, lower)
    consumer += _integral(lambda size: made(size) * accepted_then(size), steps, upper, _REACH * s)
    return Risks(
        consumer,
        max(conforming - conforming_accepted, 0.0),
        1 - conforming,
        conforming_accepted + consumer,
    )


def conforming_given(
    value_mm: Decimal, lower_mm: Decimal | None, upper_mm: Decimal | None, doubt: Doubt, process: Process
) -> float:
    """Return the probability that a piece of the process that showed `value_mm` conforms (JCGM 106:2012, 6 and 9.4).

    The specific consumer's risk of accepting it is one minus that, the specific producer's risk of rejecting it is it.

    Raises:
        ValueError: no piece of this process shows such a value.
    """
    limits = _from_mean((lower_mm, upper_mm), process)
    value = float(value_mm - process.mean_mm)
    s, u, nu = process.spread_mm, doubt.standard_mm, doubt.degrees_of_freedom
    if nu is None:
        share = s * s / (s * s + u * u)
        return _between(normal_cdf, limits, value * share, u * share**0.5)

    def probable(size: float) -> float:
        return normal_density(size / s) * student_density((value - size) / u, nu)

    steps = [*_about(0.0, s, s), *_about(value, u, s + abs(value))]
    lower, upper = (
        bound if bound is not None else end
        for bound, end in zip(limits, (min(steps), max(steps)), strict=True)
    )
    whole = _integral(probable, steps, min(steps), max(steps))
    if whole <= 0:
        raise ValueError(f"no piece of a process about {process.mean_mm} mm shows {value_mm} mm")
    return _integral(probable, steps, lower, upper) / whole


def _from_mean(limits: Limits, process: Process) -> tuple[float | None, float | None]:
    lower, upper = (None if limit is None else float(limit - process.mean_mm) for limit in limits)
    return lower, upper


def _within(limits: tuple[float | None, float | None], s: float) -> tuple[float, float]:
    """Return the part of what is looked at that is inside the limits; empty where none is."""
    reach = _REACH * s
    lower, upper = (-reach if limits[0] is None else limits[0]), (reach if limits[1] is None else limits[1])
    return min(max(lower, -reach), reach), min(max(upper, -reach), reach)


def _between(
    cdf: Callable[[float], float], limits: tuple[float | None, float | None], middle: float, spread: float
) -> float:
    below = 0.0 if limits[0] is None else cdf((limits[0] - middle) / spread)
    above = 0.0 if limits[1] is None else cdf((middle - limits[1]) / spread)
    return max(1 - below - above, 0.0)


def _about(middle: float, width: float, reach: float) -> Iterable[float]:
    """Yield steps of half a `width` about `middle`, then ever longer ones as far as `reach` goes."""
    for count in range(-2 * _REACH, 2 * _REACH + 1):
        yield middle + count * width / 2
    further = 2 * _REACH * width
    while further < 2 * _REACH * reach:
        yield middle - further
        yield middle + further
        further *= 1.5


def _about_ends(ends: tuple[float | None, float | None], width: float, reach: float) -> Iterable[float]:
    for end in ends:
        if end is not None:
            yield from _about(end, width, reach)


def _integral(
    function: Callable[[float], float], steps: Iterable[float], lower: float, upper: float
) -> float:
    """Return the integral from `lower` to `upper`, piece by piece between `steps`; 0 where nothing is between them."""
    if lower >= upper:
        return 0.0
    places = sorted({lower, upper, *(step for step in steps if lower < step < upper)})
    total = 0.0
    for start, end in pairwise(places):
        middle, half = (start + end) / 2, (end - start) / 2
        total += half * sum(weight * function(middle + node * half) for node, weight in _NODES)
    return total
