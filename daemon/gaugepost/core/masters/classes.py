"""Gagemakers' tolerance classes of setting rings and plugs (ASME B89.1.5; US Army TM 9-243)."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import Unit, to_mm

CLASSES = ("XX", "X", "Y", "Z")

_TOTAL_UIN = (
    (Decimal("0.825"), (20, 40, 70, 100)),
    (Decimal("1.510"), (30, 60, 90, 120)),
    (Decimal("2.510"), (40, 80, 120, 160)),
    (Decimal("4.510"), (50, 100, 150, 200)),
    (Decimal("6.510"), (65, 130, 190, 250)),
    (Decimal("9.010"), (80, 160, 240, 320)),
    (Decimal("12.010"), (100, 200, 300, 400)),
)
"""Upper end of each range of sizes, in inches, and the total tolerance by class, in µin."""


def half_tolerance_mm(tolerance_class: str, size_mm: Decimal) -> Decimal:
    """Return half of the class's total tolerance, which lies evenly about the nominal size of a setting ring, in mm.

    It is the half-width of a rectangular distribution for a ring without calibrated value. A new ring's tolerance:
    wear, roundness and the marked plane come on top. A size that ends one range is in it.

    Raises:
        ValueRefused: no such class, or a size that the classes do not reach.
    """
    if tolerance_class not in CLASSES:
        raise ValueRefused(
            f"{tolerance_class!r} is not a gagemakers' tolerance class", hint=f"write {', '.join(CLASSES)}"
        )
    for upper_in, totals in _TOTAL_UIN:
        if 0 < size_mm <= to_mm(upper_in, Unit.INCH):
            return to_mm(Decimal(totals[CLASSES.index(tolerance_class)]) / 2, Unit.MICROINCH)
    raise ValueRefused(
        f"{size_mm} mm has no tolerance by class: they reach 12.010 in",
        hint="write its calibrated size with uncertainty and coverage_factor",
    )
