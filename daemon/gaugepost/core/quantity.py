"""Exact lengths and temperatures: how digits become a number, and a number becomes digits again.

Every length is a `Decimal` from the first digit to the verdict. Nothing here rounds unless its name says so.
"""

from __future__ import annotations

import decimal
import re
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.errors import ValueRefused
from gaugepost.core.frozen import Word

CONTEXT = decimal.Context(
    prec=34,
    rounding=decimal.ROUND_HALF_EVEN,
    traps=[decimal.InvalidOperation, decimal.DivisionByZero, decimal.Overflow],
)
"""34 digits (IEEE 754 decimal128), half to even (ISO 80000-1 Annex B, rule A)."""

QUANTUM_MM = Decimal("1E-9")
"""Corrections are kept to this step, in mm."""

MAX_DIGITS = 20
"""More digits than any gauge shows or certificate prints; longer text is refused, never cut."""


class Unit(Word):
    """A unit of length as written on drawings, certificates and displays."""

    MM = "mm"
    INCH = "in"
    MICROMETRE = "µm"
    MICROINCH = "µin"


MM_PER_UNIT: dict[Unit, Decimal] = {
    Unit.MM: Decimal(1),
    Unit.INCH: Decimal("25.4"),  # exactly, since 1959 (NIST SP 811, B.6)
    Unit.MICROMETRE: Decimal("0.001"),
    Unit.MICROINCH: Decimal("0.0000254"),
}

UNIT_SPELLINGS: dict[str, Unit] = {
    "mm": Unit.MM,
    "in": Unit.INCH,
    "inch": Unit.INCH,
    '"': Unit.INCH,
    "µm": Unit.MICROMETRE,  # U+00B5, the micro sign
    "μm": Unit.MICROMETRE,  # U+03BC, the Greek letter: looks the same, is another character
    "um": Unit.MICROMETRE,
    "µin": Unit.MICROINCH,
    "μin": Unit.MICROINCH,
    "uin": Unit.MICROINCH,
}

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)", re.ASCII)


def parse_number(text: str) -> Decimal:
    """Return the exact value of plain ASCII digits: an optional sign, digits, at most one point.

    `Decimal` alone accepts `NaN`, `1_0`, `1e5` and other scripts' digits; none of them is something a
    gauge shows or a drawing says.

    Raises:
        ValueRefused: the text is anything else, or has more than `MAX_DIGITS` digits.
    """
    if not _NUMBER.fullmatch(text):
        raise ValueRefused(
            f"{text!r} is not a plain number", hint="write digits with at most one point, as 40.0012"
        )
    if len(text) > MAX_DIGITS and sum(c.isdigit() for c in text) > MAX_DIGITS:
        raise ValueRefused(
            f"{text[:30]!r} has more than {MAX_DIGITS} digits", hint="write the digits that are known"
        )
    return Decimal(text)


def parse_unit(text: str) -> Unit:
    """Return the unit spelled by `text`.

    Raises:
        ValueRefused: not a unit of length known here.
    """
    unit = UNIT_SPELLINGS.get(text)
    if unit is None:
        raise ValueRefused(f"{text!r} is not a unit of length", hint="write mm, in, µm (um) or µin (uin)")
    return unit


def refuse_comma(text: str) -> None:
    """Refuse a comma in what somebody typed: nothing says whether 1,234 is a little over one or over a thousand.

    Raises:
        ValueRefused: there is one.
    """
    if "," in text:
        raise ValueRefused(
            f"{text!r} has a comma", hint="write the decimal mark as a point, and no other marks"
        )


@dataclass(frozen=True, slots=True)
class Length:
    """A length as somebody wrote it: the digits and the unit are kept, `mm` is exact."""

    value: Decimal
    unit: Unit

    @property
    def mm(self) -> Decimal:
        """The same length in mm, exact."""
        return to_mm(self.value, self.unit)

    @property
    def resolution(self) -> Decimal:
        """One step of the last digit written, in `unit`: 25.400 gives 0.001."""
        return step_of(self.value)

    def __str__(self) -> str:
        return f"{self.value} {self.unit}"


def parse_length(text: str) -> Length:
    """Return the length written as digits and unit, as "40.0012 mm", "0.0005 in", "2 µm" or "-4um".

    Raises:
        ValueRefused: a comma, no number, no unit, or an unknown unit.
    """
    stripped = text.strip()
    refuse_comma(stripped)
    found = _NUMBER.match(stripped)
    if not found:
        raise ValueRefused(f"{text!r} is not a length", hint='write a number and its unit, as "40.0012 mm"')
    unit_text = stripped[found.end() :].strip()
    if not unit_text:
        raise ValueRefused(
            f"{text!r} has no unit",
            hint=f'write the unit too, as "{found.group()} mm" or "{found.group()} in"',
        )
    return Length(parse_number(found.group()), parse_unit(unit_text))


def step_of(value: Decimal) -> Decimal:
    """Return one step of the last digit of `value`: 0.6250 gives 0.0001, 25 gives 1."""
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)
    return Decimal(1).scaleb(min(exponent, 0))


def to_mm(value: Decimal, unit: Unit) -> Decimal:
    """Return `value` in mm; exact for every value with at most `MAX_DIGITS` digits."""
    if unit is Unit.MM:
        return value
    return CONTEXT.multiply(value, MM_PER_UNIT[unit])


def from_mm(value_mm: Decimal, unit: Unit) -> Decimal:
    """Return `value_mm` in `unit`, to 34 digits: inches are rarely exact this way round."""
    if unit is Unit.MM:
        return value_mm
    return CONTEXT.divide(value_mm, MM_PER_UNIT[unit])


def round_to(value: Decimal, step: Decimal) -> Decimal:
    """Return the multiple of `step` (a power of ten, or any positive step) nearest to `value`, ties to even.

    Source: ISO 80000-1:2009 Annex B, rule A; rounded once, from the full value.
    """
    if step == Decimal(1).scaleb(step.adjusted()):
        return value.quantize(step, context=CONTEXT)
    count = CONTEXT.divide(value, step).quantize(Decimal(1), context=CONTEXT)
    return CONTEXT.multiply(count, step)


def quantise_mm(value_mm: Decimal) -> Decimal:
    """Return `value_mm` on the step that corrections are kept to (1e-9 mm)."""
    return value_mm.quantize(QUANTUM_MM, context=CONTEXT)


def exact_text(value: Decimal) -> str:
    """Return plain digits without exponent: 1E-9 gives 0.000000001."""
    text = str(value)  # a quarter of what formatting takes, and for nearly all values the same
    return format(value, "f") if "E" in text else text


def shown(value: Decimal, step: Decimal, *limits: Decimal | None) -> str:
    """Return `value` rounded once to `step`, with more digits where that would hide on which side of a limit it is.

    A value that exceeds a limit by less than the display can show must not look equal to it, nor inside it where the
    limit has digits of its own below `step` (a limit in mm, shown in inches).
    """
    apart = [limit for limit in limits if limit is not None and limit != value]
    finest = min(step_of(part) for part in (value, *apart))
    rounded = round_to(value, step)
    while any(rounded == round_to(limit, step) for limit in apart):
        step = step.scaleb(-1)
        if step < finest:
            return exact_text(value)
        rounded = round_to(value, step)
    return exact_text(rounded)


_TEMPERATURE = re.compile(r"([+-]?[0-9]+(?:\.[0-9]+)?) *(°C|degC|C|K|°F|degF|F)", re.ASCII)


def parse_temperature_c(text: str) -> Decimal:
    """Return degrees Celsius from "21.4 °C", "21.4 C" or "70.5 °F".

    Raises:
        ValueRefused: no number, no scale, kelvin (ambiguous with a difference), or below absolute zero.
    """
    found = _TEMPERATURE.fullmatch(text.strip())
    if not found or found.group(2) == "K":
        raise ValueRefused(
            f"{text!r} is not a temperature", hint='write a number and its scale, as "21.4 °C" or "70.5 °F"'
        )
    value = parse_number(found.group(1))
    if found.group(2).endswith("F"):
        value = round_to(
            CONTEXT.divide(CONTEXT.multiply(value - 32, Decimal(5)), Decimal(9)), Decimal("1E-6")
        )
    if value < Decimal("-273.15"):
        raise ValueRefused(f"{text!r} is below absolute zero", hint="check the sign and the scale")
    return value


def parse_difference_k(text: str) -> Decimal:
    """Return kelvin from a difference of temperatures, "0.5 K" or "0.5 °C"; never negative.

    Raises:
        ValueRefused: anything else.
    """
    found = _TEMPERATURE.fullmatch(text.strip())
    if not found or found.group(2).endswith("F") or found.group(1).startswith("-"):
        raise ValueRefused(
            f"{text!r} is not a difference of temperatures", hint='write it in kelvin, as "0.5 K"'
        )
    return parse_number(found.group(1))
