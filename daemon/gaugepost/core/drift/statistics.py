"""What a series of values over time comes to: mean, standard deviation, and the trend per day."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gaugepost.core.distributions import student_quantile

SURE = 0.95
"""Confidence of a trend's interval, two-sided."""
FEWEST = 4
"""Values below which a line always fits too well."""
SHORTEST_MS = 3_600_000
"""A trend per day is not told from less than an hour."""
DAY_MS = 86_400_000


@dataclass(frozen=True, slots=True)
class Trend:
    """Slope of least squares, per day, and how far it may be off at 95 %, either way."""

    per_day: float
    half_width: float

    @property
    def is_beyond_scatter(self) -> bool:
        """Whether the scatter about the line does not explain the slope."""
        return abs(self.per_day) > self.half_width


@dataclass(frozen=True, slots=True)
class Summary:
    """What the values of a series come to, all in the values' unit."""

    count: int
    mean: float
    deviation: float | None
    """Standard deviation; None of a single value."""
    smallest: float
    largest: float
    trend: Trend | None
    """None where there are too few values, or all within too short a time."""


def summary(values: Sequence[tuple[int, float]], levels: Sequence[object] | None = None) -> Summary:
    """Return what `values`, each with its time in ms, come to. Order does not matter.

    Mean and standard deviation with n - 1: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.1 and 1.3.5.6. The
    trend is the slope of a straight line by least squares with Student's t at n - 2 degrees of freedom: ibid. 4.1.4.1
    and, for a gauge's drift, 2.4.5.3 (section numbers from memory). `levels` names, value by value, what may have
    shifted them as a whole: one slope is fitted with a level of its own for each (analysis of covariance), at
    n - 1 - their number degrees of freedom.

    Raises:
        ValueError: there is no value.
    """
    if not values:
        raise ValueError("a series without values comes to nothing")
    numbers = [value for _, value in values]
    mean = _mean(numbers)
    squares = math.fsum((value - mean) ** 2 for value in numbers)
    return Summary(
        len(numbers),
        mean,
        math.sqrt(squares / (len(numbers) - 1)) if len(numbers) > 1 else None,
        min(numbers),
        max(numbers),
        _trend(values, levels or [None] * len(values)),
    )


def _trend(values: Sequence[tuple[int, float]], levels: Sequence[object]) -> Trend | None:
    parts: dict[object, list[tuple[int, float]]] = {}
    for level, value in zip(levels, values, strict=True):
        parts.setdefault(level, []).append(value)
    degrees = len(values) - len(parts) - 1
    longest_ms = max(max(ms for ms, _ in part) - min(ms for ms, _ in part) for part in parts.values())
    if degrees < FEWEST - 2 or longest_ms < SHORTEST_MS:
        return None
    away: list[tuple[float, float]] = []
    for part in parts.values():
        days = [ms / DAY_MS for ms, _ in part]
        numbers = [value for _, value in part]
        middle, mean = _mean(days), _mean(numbers)
        away += [(day - middle, value - mean) for day, value in zip(days, numbers, strict=True)]
    squares = math.fsum(day * day for day, _ in away)
    slope = math.fsum(day * value for day, value in away) / squares
    rest = math.fsum((value - slope * day) ** 2 for day, value in away)
    return Trend(slope, student_quantile((1 + SURE) / 2, degrees) * math.sqrt(rest / degrees / squares))


def _mean(numbers: Sequence[float]) -> float:
    return numbers[0] + math.fsum(number - numbers[0] for number in numbers) / len(numbers)
