"""Limits of size as a drawing says them: two limits or one, a nominal with deviations, or an ISO 286 class.

However they are written, they become exact limits in mm, and the unit and digits of the drawing are kept.
A limit of size is above 0: a lower limit of 0 is one that no part can fail, so it is left out instead.
"""

from __future__ import annotations

import dataclasses
import decimal
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.errors import ValueRefused
from gaugepost.core.iso286 import HoleClass, hole_class
from gaugepost.core.quantity import (
    CONTEXT,
    UNIT_SPELLINGS,
    Length,
    Unit,
    exact_text,
    from_mm,
    parse_number,
    parse_unit,
    refuse_comma,
    step_of,
    to_mm,
)
from gaugepost.core.setup import Feature

_EXACT = decimal.Context(prec=CONTEXT.prec, traps=[decimal.InvalidOperation, decimal.Inexact])
_CLASS_STEP = Length(Decimal("0.001"), Unit.MM)


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of size in mm, exact; at least one of them is there."""

    lower_mm: Decimal | None
    upper_mm: Decimal | None
    nominal_mm: Decimal | None
    unit: Unit
    """The drawing's unit: mm or in."""
    step: Decimal
    """Step that values are displayed to, in `unit`: the finest digit that was written."""
    source: str
    """The text they came from, as written."""
    hole: HoleClass | None = None
    """The ISO 286 class they came from."""

    @property
    def tolerance_mm(self) -> Decimal | None:
        """Upper minus lower limit, in mm; None where only one limit is given."""
        if self.lower_mm is None or self.upper_mm is None:
            return None
        return CONTEXT.subtract(self.upper_mm, self.lower_mm)

    @property
    def feature(self) -> Feature | None:
        """A bore where a hole's class says so (ISO 286-1: capitals); else None, the text doesn't tell."""
        return Feature.BORE if self.hole else None

    def stated_in(self, unit: Unit) -> Limits:
        """Return the same limits for a drawing in `unit` (mm or in): what changes is `unit` and `step`."""
        return dataclasses.replace(self, unit=unit, step=step_in(Length(self.step, self.unit), unit))


def from_limits(lower: Length | None, upper: Length | None, unit: Unit) -> Limits:
    """Return the limits of a drawing in `unit` that gives them as such, either one alone or both.

    Raises:
        ValueRefused: none, one not above 0, or the lower not below the upper.
    """
    if lower is None and upper is None:
        raise ValueRefused("there is neither a lower nor an upper limit", hint="write at least one of them")
    source = f">= {lower}" if upper is None else f"<= {upper}" if lower is None else f"{lower}..{upper}"
    written = [limit for limit in (lower, upper) if limit is not None]
    return _made(lower.mm if lower else None, upper.mm if upper else None, None, unit, written, source)


def from_deviations(nominal: Length, upper: Length, lower: Length) -> Limits:
    """Return the limits of a nominal size with two deviations of any sign; the larger one is the upper.

    Raises:
        ValueRefused: a nominal or limit not above 0, equal deviations, or more digits than can be kept.
    """
    if lower.mm > upper.mm:
        upper, lower = lower, upper
    source = f"{nominal} {_signed(upper)}/{_signed(lower)}"
    low, high = _sum(nominal.mm, lower.mm), _sum(nominal.mm, upper.mm)
    return _made(low, high, nominal.mm, nominal.unit, (nominal, upper, lower), source)


def from_class(nominal: Length, code: str) -> Limits:
    """Return the limits of a nominal size with an ISO 286-1 hole class, as "H7".

    An inch size is looked up, and its limits are made, by its exact size in mm.

    Raises:
        ValueRefused: a nominal not above 0, a shaft's class, or a class that is not covered.
    """
    hole = hole_class(nominal.mm, code)
    low, high = (_sum(nominal.mm, to_mm(um, Unit.MICROMETRE)) for um in (hole.lower_um, hole.upper_um))
    return _made(low, high, nominal.mm, nominal.unit, (nominal, _CLASS_STEP), f"{nominal} {code}", hole)


def step_in(step: Length, unit: Unit) -> Decimal:
    """Return the power of ten, in `unit`, that is `step` or the next finer one: 0.001 mm gives 0.00001 in."""
    return Decimal(1).scaleb(from_mm(step.mm, unit).adjusted())


def parse_limits(text: str) -> Limits:
    """Return the limits that `text` says.

    "30.010..30.034 mm", "30.010 to 30.034 mm", ">= 12.400 mm", "12.400 mm min", "<= 12.600 mm",
    "22 mm +0.015/-0.006", "0.8750 in +0.0008/0", "22 mm +15 µm/-6 µm", "62 mm ±0.02", "45 H8", "ø45 mm H8",
    "1.25 in H7". One unit written last, mm or in, stands for the bare numbers before it; a class without one is in mm.

    Raises:
        ValueRefused: anything else, anything ambiguous, or limits that cannot be.
    """
    cleaned = _cleaned(text)
    if found := _CLASS.fullmatch(cleaned):
        limits = _read_class(found)
    elif found := _RANGE.fullmatch(cleaned):
        limits = _read_range(found)
    elif found := _ONE_LIMIT.fullmatch(cleaned) or _ONE_LIMIT_AFTER.fullmatch(cleaned):
        limits = _read_one_limit(found)
    elif found := _PLUS_MINUS.fullmatch(cleaned) or _DEVIATIONS.fullmatch(cleaned):
        limits = _read_deviations(found)
    else:
        raise _not_understood(cleaned)
    return dataclasses.replace(limits, source=text)


_MAX_TEXT = 120
_DIGITS = r"(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
_NUMBER = rf"(?<![0-9.]){_DIGITS}"  # not amid digits: 400/0 is never a size of 40 with a deviation of 0
_UNIT = "(?:" + "|".join(sorted(map(re.escape, UNIT_SPELLINGS), key=len, reverse=True)) + ")"


def _size(name: str, number: str = _NUMBER) -> str:
    return f"(?P<{name}>{number}) ?(?P<{name}_unit>{_UNIT})?"


def _pattern(text: str) -> re.Pattern[str]:
    return re.compile(text, re.ASCII)


_CLASS = _pattern(rf"{_size('nominal')} ?(?P<code>[A-Za-z]{{1,2}}[0-9]+)(?P<rest>.*)")
_RANGE = _pattern(rf"{_size('lower')} ?(?:\.\.|…| to ) ?{_size('upper', _DIGITS)}")
_ONE_LIMIT = _pattern(rf"(?P<side>>=|≥|<=|≤|(?i:min|max)\b) ?{_size('limit')}")
_ONE_LIMIT_AFTER = _pattern(rf"{_size('limit')} ?(?P<side>(?i:min|max))")
_PLUS_MINUS = _pattern(rf"{_size('nominal')} ?(?:±|\+ ?/ ?-|\+-) ?{_size('both')}")
_DEVIATIONS = _pattern(
    rf"{_size('nominal')} ?(?P<first_sign>[+-])? ?{_size('first')}(?: ?/ ?| )(?P<second_sign>[+-])? ?{_size('second')}"
)
_WAYS = 'write "30.010..30.034 mm", "22 mm +0.015/-0.006", "62 mm ±0.02", ">= 12.400 mm" or "45 H8"'


def _cleaned(text: str) -> str:
    """Return `text` with single spaces, plain minus signs and no diameter sign; refuse what no way of writing has."""
    cleaned = " ".join(text.split()).replace("−", "-").replace("–", "-").lstrip("øØ⌀∅").lstrip()
    if len(cleaned) > _MAX_TEXT:
        raise ValueRefused(f"limits of more than {_MAX_TEXT} characters", hint=_WAYS)
    refuse_comma(text)
    if "..." in cleaned:
        raise ValueRefused(
            f"{text!r} has three points in a row", hint='write a range with two, as "0.250..0.260 in"'
        )
    if any(mark in cleaned for mark in ("Ⓔ", "Ⓜ", "(E)", "(M)")):
        raise ValueRefused(
            "the envelope requirement and the maximum material condition are not judged here",
            hint="write the limits of size alone, and check those requirements by other means",
        )
    if cleaned[:1] in ("+", "-"):
        raise ValueRefused(f"{text!r} begins with a sign, and a size has none", hint=_WAYS)
    return cleaned


def _read_class(found: re.Match[str]) -> Limits:
    nominal, code, rest = found["nominal"], found["code"], found["rest"].strip()
    if rest:
        raise ValueRefused(
            f"{rest!r} after {code} is not understood", hint=f'write one class alone, as "{nominal} {code}"'
        )
    return from_class(_length(found, "nominal", Unit.MM), code)


def _read_range(found: re.Match[str]) -> Limits:
    lower, upper = _unit(found, "lower"), _unit(found, "upper")
    if lower and upper and lower is not upper:
        raise ValueRefused(f"{found[0]!r} has two units", hint="write both limits in the drawing's unit")
    unit = _known(lower or upper, found)
    return from_limits(_length(found, "lower", unit), _length(found, "upper", unit), unit)


def _read_one_limit(found: re.Match[str]) -> Limits:
    limit = _length(found, "limit", _known(_unit(found, "limit"), found))
    if found["side"].lower() in (">=", "≥", "min"):
        return from_limits(limit, None, limit.unit)
    return from_limits(None, limit, limit.unit)


def _read_deviations(found: re.Match[str]) -> Limits:
    names = ("both",) if "both" in found.groupdict() else ("first", "second")
    nominal_unit, last_unit = _unit(found, "nominal"), _unit(found, names[-1])
    if nominal_unit is None and last_unit in (Unit.MM, Unit.INCH):
        nominal_unit = last_unit
    unit = _known(nominal_unit, found)
    nominal = _length(found, "nominal", unit)
    deviations = [_deviation(found, name, unit) for name in names]
    others = {_unit(found, name) for name in names} - {None, unit}
    if others and any(
        length.value and not _unit(found, name) for name, length in zip(names, deviations, strict=True)
    ):
        raise ValueRefused(
            f"{found[0]!r} leaves one deviation's unit open", hint="write the unit after both deviations"
        )
    if len(deviations) == 1:
        (upper,) = deviations
        return from_deviations(nominal, upper, Length(CONTEXT.minus(upper.value), upper.unit))
    return from_deviations(nominal, *deviations)


def _deviation(found: re.Match[str], name: str, unit: Unit) -> Length:
    length = _length(found, name, unit)
    sign = found.groupdict().get(f"{name}_sign", "+")
    if sign is None and length.value:
        raise ValueRefused(f"deviation {found[name]} has no sign", hint=f'write it, as "+{found[name]}"')
    return Length(CONTEXT.minus(length.value), length.unit) if sign == "-" else length


def _length(found: re.Match[str], name: str, unit: Unit) -> Length:
    return Length(parse_number(found[name]), _unit(found, name) or unit)


def _unit(found: re.Match[str], name: str) -> Unit | None:
    return parse_unit(written) if (written := found[f"{name}_unit"]) else None


def _known(unit: Unit | None, found: re.Match[str]) -> Unit:
    if unit is None:
        raise ValueRefused(f"{found[0]!r} has no unit for its size", hint="write mm or in after it")
    return unit


def _not_understood(cleaned: str) -> ValueRefused:
    """Return the error for a text that is in none of the ways, as near to its cause as can be told."""
    if re.fullmatch(r"[A-Za-z]{1,2}[0-9]+", cleaned):
        return ValueRefused(
            f"{cleaned} has no nominal size", hint=f'write it before the class, as one text: "45 {cleaned}"'
        )
    if re.fullmatch(_size("alone"), cleaned):
        return ValueRefused(f"{cleaned!r} is a size without limits", hint=_WAYS)
    if re.fullmatch(rf"{_size('nominal')} ?[+-] ?{_size('only')}", cleaned):
        return ValueRefused(f"{cleaned!r} has one deviation only", hint='write both, as "+0.015/0"')
    words = re.findall(r"(?<=[0-9] )[A-Za-zµμ]+|(?<=[0-9])[A-Za-zµμ]+", cleaned)
    for word in words:
        if word not in UNIT_SPELLINGS and word != "to":
            return ValueRefused(f"{word!r} in {cleaned!r} is not a unit of length", hint="write mm or in")
    return ValueRefused(f"{cleaned!r} is no way of writing limits", hint=_WAYS)


def _made(
    lower_mm: Decimal | None,
    upper_mm: Decimal | None,
    nominal_mm: Decimal | None,
    unit: Unit,
    written: Sequence[Length],
    source: str,
    hole: HoleClass | None = None,
) -> Limits:
    """Return the limits, checked, with the finest step of what was `written`."""
    unit = Unit.INCH if unit in (Unit.INCH, Unit.MICROINCH) else Unit.MM
    sizes = {"lower limit": lower_mm, "upper limit": upper_mm, "nominal size": nominal_mm}
    for what, size in sizes.items():
        if size is not None and size <= 0:
            raise ValueRefused(
                f"the {what} is {_text(size, unit)}, and a size is above 0",
                hint='check sign and unit; where no lower limit is meant, write the upper one alone, as "<= 0.500 mm"',
            )
    if lower_mm is not None and upper_mm is not None and lower_mm >= upper_mm:
        finding = "equal" if lower_mm == upper_mm else "the wrong way round"
        raise ValueRefused(
            f"lower limit {_text(lower_mm, unit)} and upper limit {_text(upper_mm, unit)} are {finding}",
            hint="write the smaller limit first, and a tolerance above 0",
        )
    steps = [step_in(Length(length.resolution, length.unit), unit) for length in written]
    if unit is Unit.MM:  # halves of a µm, and inch deviations, need more digits than were written
        steps += [step_of(size.normalize(CONTEXT)) for size in (lower_mm, upper_mm) if size is not None]
    return Limits(lower_mm, upper_mm, nominal_mm, unit, min(steps), source, hole)


def _sum(nominal_mm: Decimal, deviation_mm: Decimal) -> Decimal:
    try:
        return _EXACT.add(nominal_mm, deviation_mm)
    except decimal.Inexact as error:
        raise ValueRefused(
            "nominal and deviation together have more digits than can be kept",
            hint="write the digits that are known",
        ) from error


def _signed(deviation: Length) -> str:
    return f"{'+' if deviation.value > 0 else ''}{exact_text(deviation.value)} {deviation.unit}"


def _text(size_mm: Decimal, unit: Unit) -> str:
    return f"{exact_text(from_mm(size_mm, unit))} {unit}"
