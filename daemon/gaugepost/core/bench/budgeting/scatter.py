"""Repeatability from the gauge's own masterings and checks: squared deviations, pooled (GUM, 4.2.4 and H.1.3.2).

Several readings of one master in one go scatter about their mean. Where each check is one reading, the checks' errors
scatter about theirs, within one mastering.
"""

from __future__ import annotations

import math
from decimal import Decimal

from gaugepost.core.bench.state import Scatter


def _squares(readings_mm: tuple[Decimal, ...]) -> float:
    values = [float(reading - readings_mm[0]) for reading in readings_mm]
    middle = sum(values) / len(values)
    total = 0.0
    for value in values:
        total += (value - middle) * (value - middle)
    return total


def after_mastering(known: Scatter, sets_mm: tuple[tuple[Decimal, ...], ...]) -> Scatter:
    """Return what is known after a mastering with these readings of each master."""
    squares, degrees = known.squares, known.degrees_of_freedom
    for readings in sets_mm:
        squares += _squares(readings)
        degrees += len(readings) - 1
    return Scatter(squares, degrees)


def after_check(known: Scatter, readings_mm: tuple[Decimal, ...], error_mm: Decimal) -> Scatter:
    """Return what is known after a check that passed."""
    if len(readings_mm) > 1:
        squares = known.squares + _squares(readings_mm)
        return Scatter(squares, known.degrees_of_freedom + len(readings_mm) - 1)
    count, away = known.checks + 1, float(error_mm) - known.mean_error_mm
    mean = known.mean_error_mm + away / count
    squares = known.squares + away * (float(error_mm) - mean)
    return Scatter(squares, known.degrees_of_freedom + (count > 1), count, mean)


def repeatability(known: Scatter) -> tuple[float, int] | None:
    """Return the pooled standard deviation of a reading in mm with its degrees of freedom; None where none is known."""
    if known.degrees_of_freedom == 0:
        return None
    return math.sqrt(known.squares / known.degrees_of_freedom), known.degrees_of_freedom
