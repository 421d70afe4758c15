"""Lengths as text for a gauge: sizes in the unit of its display, differences in its thousandth. Pure."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.state import State
from gaugepost.core.quantity import Unit, exact_text, from_mm, round_to
from gaugepost.core.shown import fine
from gaugepost.core.shown.numbers import FINEST


def unit_of_gauge(state: State, gauge: str) -> Unit:
    """Return the unit of a gauge's display: as mastered, else as the station file says, else mm."""
    mastered = state.gauges[gauge].mastered
    return (mastered.unit if mastered else None) or state.set_up.gauges[gauge].unit or Unit.MM


def size_text(size_mm: Decimal, unit: Unit) -> str:
    """Return a size with its unit; exact in mm, in inches to their usual step."""
    if unit is not Unit.INCH:
        return f"{exact_text(size_mm)} mm"
    return f"{exact_text(round_to(from_mm(size_mm, unit), FINEST[Unit.INCH]))} in"


def width(length_mm: Decimal, unit: Unit) -> str:
    """Return a difference's amount: a spread, a limit."""
    return fine(length_mm, unit).lstrip("+")
