"""Propagation of distributions (JCGM 101:2008): is the analytical coverage interval good enough?

A room of its own, because it imports numpy, which the running daemon does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from gaugepost.core.uncertainty import Budget, Component, Shape

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
