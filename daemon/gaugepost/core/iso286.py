"""Hole tolerance classes of ISO 286-1: the tables as printed, and the rule that makes deviations of them.

Holes D to P (with JS), IT5 to IT11, nominal sizes up to 315 mm. J, CD, EF and FG, other grades, larger sizes and
shafts are refused: what is not covered is written as deviations, never taken for something near it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import CONTEXT, exact_text

UPPER_EDGES_MM = (3, 6, 10, 18, 30, 50, 80, 120, 180, 250, 315)
"""Last size of each band: "over 3 up to and including 6", and so on."""

STANDARD_TOLERANCE_UM: dict[int, tuple[int, ...]] = {
    4: (
        3,
        4,
        4,
        5,
        6,
        7,
        8,
        10,
        12,
        14,
        16,
    ),  # no class has it; IT5 less IT4 is the delta of K5, M5, N5 and P5
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20, 23),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29, 32),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46, 52),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72, 81),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115, 130),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185, 210),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290, 320),
}
"""IT grades by band, µm (ISO 286-1:2010)."""

LOWER_DEVIATION_UM: dict[str, tuple[int, ...]] = {
    "D": (20, 30, 40, 50, 65, 80, 100, 120, 145, 170, 190),
    "E": (14, 20, 25, 32, 40, 50, 60, 72, 85, 100, 110),
    "F": (6, 10, 13, 16, 20, 25, 30, 36, 43, 50, 56),
    "G": (2, 4, 5, 6, 7, 9, 10, 12, 14, 15, 17),
    "H": (0,) * 11,
}
"""EI of holes D to H by band, µm (ISO 286-1:2010)."""

SHAFT_LOWER_DEVIATION_UM: dict[str, tuple[int, ...]] = {
    "K": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4, 4),
    "M": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17, 20),
    "N": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31, 34),
    "P": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50, 56),
}
"""ei of the shafts k, m, n and p by band, µm: holes K to P are made from them (ISO 286-1:2010)."""

_LAST_GRADE_WITH_DELTA = {"K": 8, "M": 8, "N": 8, "P": 7}
_GRADES = {"5": 5, "6": 6, "7": 7, "8": 8, "9": 9, "10": 10, "11": 11}  # as written: H07 is not H7
_CODE = re.compile(r"([A-Za-z]{1,2})([0-9]{1,2})", re.ASCII)
_INSTEAD = 'write the deviations instead, as "60 mm +0.046/0"'


@dataclass(frozen=True, slots=True)
class HoleClass:
    """A hole's tolerance class at one nominal size: its code, its grade and IT value, and its deviations, in µm."""

    code: str
    grade: int
    it_um: int
    upper_um: Decimal
    """ES, the upper limit deviation."""
    lower_um: Decimal
    """EI, the lower limit deviation."""


def hole_class(nominal_mm: Decimal, code: str) -> HoleClass:
    """Return the deviations of the class `code`, as "H7" or "JS9", at `nominal_mm`; exact, JS halves included.

    Source: ISO 286-1:2010; K above IT8, and N above IT8 to 1 mm, from memory.

    Raises:
        ValueRefused: no such code, a shaft's, or one that is not covered at this size.
    """
    letters, grade = _split(code)
    band = _band(nominal_mm)
    it_um = STANDARD_TOLERANCE_UM[grade][band]
    tolerance = Decimal(it_um)
    if letters == "JS":
        half = CONTEXT.divide(tolerance, Decimal(2))  # not rounded, odd or even
        return HoleClass(code, grade, it_um, half, CONTEXT.minus(half))
    if letters in LOWER_DEVIATION_UM:
        lower = Decimal(LOWER_DEVIATION_UM[letters][band])
        return HoleClass(code, grade, it_um, CONTEXT.add(lower, tolerance), lower)
    upper = Decimal(_upper_deviation_um(letters, grade, band, nominal_mm))
    return HoleClass(code, grade, it_um, upper, CONTEXT.subtract(upper, tolerance))


def standard_tolerance_um(nominal_mm: Decimal, grade: int) -> int:
    """Return the standard tolerance of `grade` (4 to 11) at `nominal_mm`, in µm.

    Raises:
        ValueRefused: a size that is not covered.
    """
    return STANDARD_TOLERANCE_UM[grade][_band(nominal_mm)]


def _upper_deviation_um(letters: str, grade: int, band: int, nominal_mm: Decimal) -> int:
    """Return ES of a hole K to P."""
    ei = SHAFT_LOWER_DEVIATION_UM[letters][band]
    to_3_mm = band == 0
    if grade <= _LAST_GRADE_WITH_DELTA[letters]:
        if (letters, grade, UPPER_EDGES_MM[band]) == ("M", 6, 315):
            return -9  # the standard's one exception here: the rule would give -11
        smaller, larger = STANDARD_TOLERANCE_UM[grade - 1][band], STANDARD_TOLERANCE_UM[grade][band]
        return -ei if to_3_mm else -ei + (larger - smaller)
    if letters == "K":
        if not to_3_mm:
            raise _refused(f"K{grade} is not tabulated over 3 mm")
        return 0
    if letters == "N":
        if nominal_mm <= 1:
            raise _refused(f"N{grade} is not used for sizes up to 1 mm")
        return -ei if to_3_mm else 0
    return -ei


def _split(code: str) -> tuple[str, int]:
    found = _CODE.fullmatch(code)
    if not found:
        raise _refused(f"{code!r} is not a tolerance class", 'write letter and grade, as "H7"')
    letters, grade = found.groups()
    if letters.islower():
        raise _refused(f"{code} is a shaft's class (lower case), and only holes' classes are covered")
    if not letters.isupper():
        raise _refused(
            f"{code!r} mixes capitals and small letters", "write a hole's class in capitals, as JS7"
        )
    if letters != "JS" and letters not in LOWER_DEVIATION_UM and letters not in SHAFT_LOWER_DEVIATION_UM:
        raise _refused(f"holes {letters} are not covered, only D, E, F, G, H, JS, K, M, N and P")
    if grade not in _GRADES:
        raise _refused(f"grade IT{grade} is not covered, only IT5 to IT11")
    return letters, _GRADES[grade]


def _band(nominal_mm: Decimal) -> int:
    if nominal_mm <= 0:
        raise _refused(
            f"a nominal size of {exact_text(nominal_mm)} mm is not above 0", "write the size from the drawing"
        )
    for band, last in enumerate(UPPER_EDGES_MM):
        if nominal_mm <= last:
            return band
    raise _refused(f"{exact_text(nominal_mm)} mm is over 315 mm, where the tables here end")


def _refused(finding: str, hint: str = _INSTEAD) -> ValueRefused:
    return ValueRefused(finding, hint=hint)
