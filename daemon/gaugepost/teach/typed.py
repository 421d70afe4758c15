"""What a person types of a display: digits as they stand there, each of them with a meaning."""

from __future__ import annotations

import re

from gaugepost.contract.teaching import Scale, Typed
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import MAX_DIGITS, UNIT_SPELLINGS

_SHOWN = re.compile(r"([+\-−–]?) *([0-9]*)(?:[.,]([0-9]*))? *([^0-9.,+\-]*)")
_SCALES: dict[str, Scale] = {"°C": "C", "C": "C", "degC": "C", "°F": "F", "F": "F", "degF": "F"}


def read_typed(text: str) -> Typed:
    """Return what was typed: "-0,070 mm", "12.340", ".4921 in", "21.4 °C". Zeros at the end count: they are digits.

    Raises:
        ValueRefused: no number, more digits than a display has, or a unit that is none.
    """
    found = _SHOWN.fullmatch(text.strip())
    whole, part = (found[2], found[3]) if found else ("", None)
    if not found or not (whole or part) or not (whole + (part or "")).isascii():
        raise ValueRefused(
            f"{text[:40]!r} is not what a display shows",
            hint="type its sign, digits and unit as they stand there: -0.070 mm",
        )
    if len(whole) + len(part or "") > MAX_DIGITS:
        raise ValueRefused(f"{text[:40]!r} has more digits than a display", hint="type what it shows")
    unit = found[4].strip()
    if unit and unit not in UNIT_SPELLINGS and unit not in _SCALES:
        raise ValueRefused(f"{unit!r} is no unit", hint="type mm, in, µm (um), µin (uin), °C or °F, or none")
    digits = (whole.lstrip("0") or "0") + (f".{part}" if part else "")
    return Typed(digits, bool(found[1]) and found[1] != "+", UNIT_SPELLINGS.get(unit), _SCALES.get(unit))
