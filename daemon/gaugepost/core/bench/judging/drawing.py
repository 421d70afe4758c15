"""Lengths as the drawing states them: in its unit, with no fewer digits than its step."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache

from gaugepost.core.quantity import Unit, from_mm, round_to

FINEST: dict[Unit, Decimal] = {
    Unit.MM: Decimal("1E-9"),
    Unit.INCH: Decimal("1E-11"),
    Unit.MICROMETRE: Decimal("1E-6"),
    Unit.MICROINCH: Decimal("1E-5"),
}
"""Step that a value is published to in the drawing's unit: finer than 1e-9 mm, so that no two values look alike."""


@lru_cache(maxsize=4096)
def in_unit(value_mm: Decimal | None, unit: Unit, step: Decimal) -> Decimal | None:
    """Return a value in the drawing's unit, finer than 1e-9 mm, with at least the digits of `step`."""
    if value_mm is None:
        return None
    value = round_to(from_mm(value_mm, unit), FINEST[unit]).normalize()
    return value if value.as_tuple().exponent <= step.as_tuple().exponent else value.quantize(step)  # type: ignore[operator]
