"""Gagemakers' tolerance classes of rings without a calibrated value (ASME B89.1.5; US Army TM 9-243)."""

from decimal import Decimal as D

import pytest

from gaugepost.core.errors import ValueRefused
from gaugepost.core.masters import half_tolerance_mm
from gaugepost.core.quantity import Unit, to_mm

TABLE = [
    ("0", "0.825", (20, 40, 70, 100)),
    ("0.825", "1.510", (30, 60, 90, 120)),
    ("1.510", "2.510", (40, 80, 120, 160)),
    ("2.510", "4.510", (50, 100, 150, 200)),
    ("4.510", "6.510", (65, 130, 190, 250)),
    ("6.510", "9.010", (80, 160, 240, 320)),
    ("9.010", "12.010", (100, 200, 300, 400)),
]
"""Over and up to and including, in inches, and total tolerances XX, X, Y and Z in µin: as printed."""


@pytest.mark.parametrize(("over", "upto", "totals"), TABLE)
def test_half_of_the_printed_tolerance_lies_on_each_side(
    over: str, upto: str, totals: tuple[int, ...]
) -> None:
    """The first size of a range, a millionth of an inch over the one before, and its last have its tolerances."""
    for size_in in (D(over) + D("0.000001"), D(upto)):
        found = [half_tolerance_mm(each, to_mm(size_in, Unit.INCH)) for each in ("XX", "X", "Y", "Z")]
        assert found == [to_mm(D(total), Unit.MICROINCH) / 2 for total in totals]


@pytest.mark.parametrize(
    ("named", "size_mm", "finding"),
    [
        ("ZZ", "38", "'ZZ' is not a gagemakers' tolerance class"),
        ("x", "38", "'x' is not a gagemakers' tolerance class"),
        ("X", "0", "0 mm has no tolerance by class"),
        ("X", "-38", "-38 mm has no tolerance by class"),
        ("X", "305.0541", "305.0541 mm has no tolerance by class"),  # 12.010 in is 305.054 mm
    ],
)
def test_no_tolerance_is_made_up(named: str, size_mm: str, finding: str) -> None:
    """Another class or a size beyond the printed ones has none, and the error says what to write instead."""
    with pytest.raises(ValueRefused, match=finding) as refused:
        half_tolerance_mm(named, D(size_mm))
    assert refused.value.hint
