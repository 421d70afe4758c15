"""Propagation of distributions (JCGM 101:2008): is the analytical coverage interval good enough?

A room of its own, because it imports numpy, which the running daemon does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gaugepost.core.uncertainty import Budget, Component, Shape
from gaugepost.core.uncertainty.differing import Size, of_difference

if TYPE_CHECKING:
    import numpy

TRIALS = 1_000_000
"""Enough for the second digit of an interval of 95 % (JCGM 101, 7.2.2, note 1)."""
SEED = 20_08


@dataclass(frozen=True, slots=True)
class Validation:
    """What came of it, about the estimate. Lengths in mm."""

    standard_mm: float
    low_mm: float
    high_mm: float
    """Probabilistically symmetric coverage interval at the budget's level."""
    tolerance_mm: float
    """Numerical tolerance δ: half a unit of the second significant digit of u (7.9.2)."""
    is_valid: bool
    """Whether both ends of the analytical interval agree within δ (8.1)."""


def validate(made: Budget, trials: int = TRIALS) -> Validation:
    """Return what the propagation of the components' distributions says of a budget; the same each time."""
    import numpy

    dice = numpy.random.default_rng(SEED)
    total = numpy.zeros(trials)
    shared: dict[tuple[str, Shape], Any] = {}
    for each in made.components:
        if not each.contribution:
            continue
        drawn = _drawn(dice, each, trials)
        if each.shared and each.correlation:
            key = (each.shared, each.shape)
            if key not in shared:
                shared[key] = _drawn(dice, each, trials)
            drawn = math.sqrt(1 - each.correlation) * drawn + math.sqrt(each.correlation) * shared[key]
        total += each.contribution * drawn
    total.sort()
    tail = (1 - made.level) / 2
    low, high = (float(total[min(trials - 1, round(at * trials))]) for at in (tail, 1 - tail))
    tolerance = numerical_tolerance(made.standard_mm)
    off = max(abs(low + made.expanded_mm), abs(high - made.expanded_mm))
    return Validation(float(total.std()), low, high, tolerance, off <= tolerance)


@dataclass(frozen=True, slots=True)
class RangeValidation:
    """What came of a range of sizes: where it is linear, and what it is off by where it is not. Lengths in mm."""

    at_mm: float
    """The range that it was drawn at, its limit; its sizes are spread evenly."""
    low_mm: float
    high_mm: float
    """Coverage interval about it."""
    tolerance_mm: float
    is_valid: bool
    """Whether both ends of the linear form's interval agree within δ there."""
    excess_mm: float
    """What equal sizes show on the average, though their range is 0."""
    most_mm: float
    """What they show at the most, at the budget's level: the term that is not linear."""
    linear_from_mm: float | None
    """From about which range on the linear form is good enough; None: from none that was drawn."""


def validate_range(
    reading: Budget, places: int, at_each: int, limit_mm: float, trials: int = TRIALS
) -> RangeValidation:
    """Return what the largest minus the smallest of sizes makes of what is another error in each reading.

    What the sizes have in common cancels and is not drawn. The linear form is that of two sizes that nothing can
    change places with.
    """
    own = [each for each in reading.components if each.new_at == "reading" and each.contribution]
    linear = of_difference([Size(reading, 1.0, at_each), Size(reading, -1.0, at_each)])
    tolerance = numerical_tolerance(linear.standard_mm)

    def drawn(range_mm: float) -> tuple[float, float, float, float]:
        found = _ranges(own, places, at_each, range_mm, trials)
        tail = (1 - linear.level) / 2
        low, high, most = (
            float(found[min(trials - 1, round(at * trials))]) for at in (tail, 1 - tail, linear.level)
        )
        return float(found.mean()), low, high, most

    def agrees(range_mm: float, low: float, high: float) -> bool:
        off = max(abs(low - range_mm + linear.expanded_mm), abs(high - range_mm - linear.expanded_mm))
        return off <= tolerance

    _, low, high, _ = drawn(limit_mm)
    excess, _, _, most = drawn(0.0)
    ranges = [linear.standard_mm * 2.0**at for at in range(1, 2 + (places - 1).bit_length() + 3)]
    linear_from = next((each for each in ranges if agrees(each, *drawn(each)[1:3])), None)
    is_valid = agrees(limit_mm, low, high)
    return RangeValidation(limit_mm, low, high, tolerance, is_valid, excess, most, linear_from)


def _ranges(own: list[Component], places: int, at_each: int, range_mm: float, trials: int) -> Any:
    """Return ranges of sizes that are spread evenly over a true one, in their order."""
    import numpy

    dice = numpy.random.default_rng(SEED)
    high, low = numpy.full(trials, -math.inf), numpy.full(trials, math.inf)
    for place in range(places):
        size = numpy.full(trials, range_mm * place / (places - 1))
        for each in own:
            repeats = math.sqrt(at_each) if each.repeats else 1.0
            size += each.contribution / repeats * _drawn(dice, each, trials)
        numpy.maximum(high, size, out=high)
        numpy.minimum(low, size, out=low)
    return numpy.sort(high - low)


def numerical_tolerance(standard: float, digits: int = 2) -> float:
    """Return δ for a standard uncertainty that is meant to so many significant digits (JCGM 101, 7.9.2)."""
    mantissa = f"{standard:.{digits - 1}e}"
    return 0.5 * 10.0 ** (int(mantissa.split("e")[1]) - digits + 1)


def _drawn(dice: numpy.random.Generator, each: Component, trials: int) -> Any:
    """Return draws with mean 0, and u 1: Student's t, scaled as GUM (6.4.9 in JCGM 101), where degrees are finite."""
    import numpy

    if each.shape is Shape.RECTANGULAR:
        return dice.uniform(-math.sqrt(3), math.sqrt(3), trials)
    if each.shape is Shape.TRIANGULAR:
        return dice.triangular(-math.sqrt(6), 0.0, math.sqrt(6), trials)
    if each.shape is Shape.U_SHAPED:
        return math.sqrt(2) * numpy.sin(dice.uniform(0, 2 * math.pi, trials))
    if each.degrees_of_freedom is not None:
        return dice.standard_t(each.degrees_of_freedom, trials)
    return dice.standard_normal(trials)
