"""Whether readings of one master wander off: a trend that their own scatter does not explain."""

from __future__ import annotations

import math
from decimal import Decimal

from gaugepost.core.distributions import student_quantile

SURE = 0.99
"""Confidence at which a trend is said to be one, two-sided: one mastering in a hundred is flagged by chance."""
FEWEST = 4
"""Readings below which a line always fits too well."""


def trends(readings_mm: tuple[Decimal, ...], step_mm: Decimal) -> Decimal | None:
    """Return how far the readings wandered from first to last, in mm, where that is beyond their spread; else None.

    Slope of least squares over its standard error against Student's t at n - 2 degrees of freedom, two-sided at 99 %
    (the usual test of a regression's slope). The scatter is at least that of a display with step `step_mm`, step²/12
    (JCGM 100:2008, F.2.2.1): digits that stand still prove nothing finer.
    """
    count = len(readings_mm)
    if count < FEWEST:
        return None
    values = [float(reading - readings_mm[0]) for reading in readings_mm]
    middle, centre = (count - 1) / 2, math.fsum(values) / count
    squares = count * (count * count - 1) / 12
    slope = math.fsum((at - middle) * value for at, value in enumerate(values)) / squares
    rest = math.fsum((value - centre - slope * (at - middle)) ** 2 for at, value in enumerate(values))
    variance = max(rest / (count - 2), float(step_mm) ** 2 / 12)
    if abs(slope) <= student_quantile((1 + SURE) / 2, count - 2) * math.sqrt(variance / squares):
        return None
    return Decimal(f"{slope * (count - 1):.3g}")
