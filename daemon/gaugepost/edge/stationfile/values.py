"""How a station file writes quantities: each with its unit, so that inch and metric can stand side by side.

Every type here reads one TOML value into what the set-up is made of, and knows how to describe itself in a schema.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable
from datetime import date, datetime, time
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from gaugepost.contract.refusal import refusal
from gaugepost.core import materials
from gaugepost.core.conformity import Rule, RuleName, parse_rule
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import (
    CONTEXT,
    Length,
    parse_difference_k,
    parse_length,
    parse_number,
    parse_temperature_c,
    parse_unit,
)
from gaugepost.core.terms.words import LotCheck
from gaugepost.edge.stationfile.findings import either, nearest, toml

_DURATION = re.compile(r"([0-9]+(?:\.[0-9]+)?) *(ms|s|min|h|d)", re.ASCII)
_MS = {"ms": 1, "s": 1000, "min": 60_000, "h": 3_600_000, "d": 86_400_000}
_SIZE = re.compile(r"([0-9]{1,6}(?:\.[0-9]{1,3})?) *(MB|GB|TB)", re.ASCII)
_BYTES = {"MB": 10**6, "GB": 10**9, "TB": 10**12}
_MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2})?(?:Z|[+-][0-9]{2}:[0-9]{2})?)?",
    re.ASCII,
)
_COEFFICIENT = re.compile(r"([+-]?[0-9]+(?:\.[0-9]+)?)(?:[eE]([+-]?[0-9]{1,2}))? */ *(?:K|°C)", re.ASCII)
_PER_KELVIN = re.compile(r"(.*[^ ]) */ *(?:K|°C)", re.ASCII)

_SPELLED = str.maketrans({"2": "two", "3": "three"})  # by letters alone, 3-point is nearer to two-point

STEEPEST = Decimal("1E-4")
"""No solid that gauges or parts are made of grows faster than this, in 1/K; more is a forgotten e-6."""

COLDEST_C, HOTTEST_C = Decimal(-30), Decimal(80)
"""No bench is outside this range; more is a mistaken scale."""


def _text(parse: Callable[[str], Any], expected: str, example: str) -> Any:
    def read(value: object) -> Any:
        if isinstance(value, int | float) and not isinstance(value, bool):
            unit = example.split(" ", 1)[1] if " " in example else ""
            literal = toml(f"{value} {unit}") if unit else toml(example)
            raise refusal(f"{toml(value)} is a bare number", expected, literal)
        if not isinstance(value, str):
            raise refusal(f"{toml(value)} is not text", expected, toml(example))
        try:
            return parse(value)
        except ValueRefused as error:
            raise refusal(error.finding, hint=error.hint) from error

    return PlainValidator(read)


def _schema(example: str, **more: Any) -> Any:
    return WithJsonSchema({"type": "string", "examples": [example], **more})


def _positive_length(text: str) -> Length:
    length = parse_length(text)
    if length.value <= 0:
        raise ValueRefused(f"{text!r} is not greater than zero", hint="check the sign and the digits")
    return length


def _length_range(value: object) -> tuple[Length, Length]:
    expected, example = "two lengths, the smaller first", '["35 mm", "45 mm"]'
    if not isinstance(value, list) or len(value) != 2 or not all(isinstance(end, str) for end in value):
        raise refusal(f"{toml(value)} is not a range", expected, example)
    try:
        low, high = parse_length(value[0]), parse_length(value[1])
    except ValueRefused as error:
        raise refusal(error.finding, hint=error.hint) from error
    if low.mm >= high.mm:
        raise refusal(
            f"the range from {low} to {high} is empty", expected, f"[{toml(value[1])}, {toml(value[0])}]"
        )
    return low, high


def _duration_ms(text: str) -> int:
    found = _DURATION.fullmatch(text.strip())
    if not found:
        raise ValueRefused(
            f"{text!r} is not a duration", hint='write a number and its unit, as "8 h", "10 min" or "300 ms"'
        )
    return int(CONTEXT.multiply(parse_number(found.group(1)), Decimal(_MS[found.group(2)])))


def _lasting_ms(text: str) -> int:
    duration = _duration_ms(text)
    if duration <= 0:
        raise ValueRefused(f"{text!r} is no time at all", hint='write a longer one, as "8 h"')
    return duration


def _size_bytes(text: str) -> int:
    found = _SIZE.fullmatch(text.strip())
    if not found:
        raise ValueRefused(
            f"{text!r} is not an amount of data", hint='write a number and its unit, as "2 GB"'
        )
    return int(Decimal(found.group(1)) * _BYTES[found.group(2)])


def _coefficient(text: str) -> Decimal:
    found = _COEFFICIENT.fullmatch(text.strip())
    if not found:
        raise ValueRefused(
            f"{text!r} is not a coefficient of expansion", hint='write it per kelvin, as "11.5e-6 /K"'
        )
    value = parse_number(found.group(1)).scaleb(int(found.group(2) or 0), context=CONTEXT)
    if abs(value) > STEEPEST:
        raise ValueRefused(
            f"{text!r} is steeper than any solid grows",
            hint=f'write "{found.group(1)}e-6 /K" if that is meant',
        )
    return value


def _drift_mm_per_k(text: str) -> Decimal:
    found = _PER_KELVIN.fullmatch(text.strip())
    if not found:
        raise ValueRefused(f"{text!r} is not a drift", hint='write a length per kelvin, as "0.8 µm/K"')
    return parse_length(found.group(1)).mm


def _bench_c(text: str) -> Decimal:
    value = parse_temperature_c(text)
    if not COLDEST_C <= value <= HOTTEST_C:
        raise ValueRefused(
            f"{text!r} is no temperature of a bench", hint='check the digits and the scale, as "21.5 °C"'
        )
    return value


def _degrees(text: str) -> Decimal:
    found = re.fullmatch(r"\s*(-?[0-9]+(?:\.[0-9]+)?)\s*(?:°|deg)\s*", text, re.ASCII)
    if not found or not -360 <= Decimal(found.group(1)) <= 360:
        raise ValueRefused(f"{text!r} is not an angle", hint='write degrees up to a full turn, as "90°"')
    return Decimal(found.group(1))


def _day(value: object) -> date:
    expected, example = "a day without a time", "2027-03-31"
    if isinstance(value, str):
        try:
            value = date.fromisoformat(value)
        except ValueError as error:
            raise refusal(f"{toml(value)} is not a day", expected, example) from error
    if isinstance(value, datetime) or not isinstance(value, date):
        raise refusal(f"{toml(value)} is not a day", expected, example)
    if not 1970 <= value.year < 3000:
        raise refusal(f"the year {value.year} can't be meant", expected, example)
    return value


def _clock_minute(value: object) -> int:
    expected, example = "a time of day, to the minute", '"06:00"'
    if isinstance(value, str) and re.fullmatch(r"[0-9]{2}:[0-9]{2}", value, re.ASCII):
        with contextlib.suppress(ValueError):
            value = time.fromisoformat(value)
    if not isinstance(value, time) or value.second or value.microsecond:
        raise refusal(f"{toml(value)} is not a time of day to the minute", expected, example)
    return value.hour * 60 + value.minute


def _lot_checks(value: object) -> bool | tuple[LotCheck, ...]:
    """Return whether there are checks between lots, or at which ends of each there are."""
    if isinstance(value, bool):
        return value
    words = [end.value for end in LotCheck]
    expected, example = f"true, false, or a list of {' and '.join(words)}", '["opening", "closing"]'
    if not isinstance(value, list) or not all(each in words for each in value):
        raise refusal(f"{toml(value)} names no ends of a lot", expected, example)
    return tuple(end for end in LotCheck if end.value in value)


def _begin(value: object) -> StartFrom | datetime:
    """Return one of the words, or a time: without a zone where none is written, a day's beginning for a day."""
    words = [member.value for member in StartFrom]
    expected, example = f"{either(words)}, or a day or time", '"2026-11-01T06:00"'
    if isinstance(value, str):
        if value in words:
            return StartFrom(value)
        try:
            value = datetime.fromisoformat(value) if _MOMENT.fullmatch(value) else value
        except ValueError as error:
            raise refusal(f"{toml(value)} is no day or time", expected, example) from error
    if isinstance(value, date) and not isinstance(value, datetime):
        value = datetime(value.year, value.month, value.day)  # noqa: DTZ001 - the station's zone is another key's
    if not isinstance(value, datetime):
        near = nearest(value, words) if isinstance(value, str) else None
        raise refusal(f"{toml(value)} is not a place to begin", expected, toml(near) if near else example)
    if not 1970 <= value.year < 3000:
        raise refusal(f"the year {value.year} can't be meant", expected, example)
    return value


def _factor(value: object) -> Decimal:
    expected, example = "a number from 1 to 10", "2"
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise refusal(f"{toml(value)} is not a number", expected, example)
    try:
        factor = parse_number(str(value))
    except ValueRefused as error:
        raise refusal(error.finding, expected, example) from error
    if not 1 <= factor <= 10:
        raise refusal(f"{toml(value)} is not a coverage factor", expected, example)
    return factor


def _level(text: str) -> Decimal:
    found = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*%\s*", text, re.ASCII)
    level = parse_number(found.group(1)).scaleb(-2, context=CONTEXT) if found else None
    if level is None or not Decimal("0.5") <= level <= Decimal("0.9999"):
        raise ValueRefused(
            f"{text!r} is not a level of confidence", hint='write 50 % to 99.99 %, as "95.45 %"'
        )
    return level


def _half_width(text: str) -> Decimal:
    value = _coefficient(text)
    if value <= 0:
        raise ValueRefused(f"{text!r} is no uncertainty", hint='write how far it may be off, as "0.5e-6 /K"')
    return value


def choice(kind: type[StrEnum], what: str) -> Any:
    """Return the validator that reads one of the words of `kind`, called `what` in findings."""
    words = [member.value for member in kind]

    def read(value: object) -> StrEnum:
        if isinstance(value, str) and value in words:
            return kind(value)
        near = nearest(value.translate(_SPELLED), words) if isinstance(value, str) else None
        raise refusal(f"{toml(value)} is not {what}", either(words), toml(near) if near else "")

    return PlainValidator(read)


def words_of(kind: type[StrEnum]) -> Any:
    """Return the schema of one of the words of `kind`."""
    return WithJsonSchema({"enum": [member.value for member in kind]})


class SentUnit(StrEnum):
    """The unit of a gauge's digits where the frame does not name it."""

    AS_SENT = "as sent"
    MM = "mm"
    INCH = "in"
    MICROMETRE = "µm"
    MICROINCH = "µin"


class DrawingUnit(StrEnum):
    """A unit that drawings are dimensioned in."""

    MM = "mm"
    INCH = "in"


class Sense(StrEnum):
    """Which way the indication goes as the size grows."""

    RISING = "rising"
    FALLING = "falling"


class StartFrom(StrEnum):
    """Where a destination that has no cursor yet begins in the journal, unless at a time."""

    BEGINNING = "beginning"
    NOW = "now"


def _sent_unit(text: str) -> SentUnit:
    return SentUnit.AS_SENT if text == "as sent" else SentUnit(parse_unit(text).value)


def _drawing_unit(text: str) -> DrawingUnit:
    unit = parse_unit(text).value
    if unit not in list(DrawingUnit):
        raise ValueRefused(
            f"{text!r} is not a unit that drawings are dimensioned in", hint='write "mm" or "in"'
        )
    return DrawingUnit(unit)


AnyLength = Annotated[
    Length, _text(parse_length, "a length with its unit", "40.0012 mm"), _schema("40.0012 mm")
]
PositiveLength = Annotated[
    Length, _text(_positive_length, "a length with its unit", "0.002 mm"), _schema("0.002 mm")
]
LengthRange = Annotated[
    tuple[Length, Length],
    PlainValidator(_length_range),
    WithJsonSchema(
        {
            "type": "array",
            "items": {"type": "string"},
            "minItems": 2,
            "maxItems": 2,
            "examples": [["35 mm", "45 mm"]],
        }
    ),
]
DurationMs = Annotated[int, _text(_duration_ms, "a duration with its unit", "300 ms"), _schema("300 ms")]
LastingMs = Annotated[int, _text(_lasting_ms, "a duration with its unit", "8 h"), _schema("8 h")]
SizeBytes = Annotated[int, _text(_size_bytes, "an amount of data with its unit", "2 GB"), _schema("2 GB")]
Coefficient = Annotated[
    Decimal, _text(_coefficient, "a coefficient per kelvin", "11.5e-6 /K"), _schema("11.5e-6 /K")
]
HalfWidth = Annotated[
    Decimal, _text(_half_width, "how far a coefficient may be off", "0.5e-6 /K"), _schema("0.5e-6 /K")
]
Level = Annotated[Decimal, _text(_level, "a level of confidence", "95.45 %"), _schema("95.45 %")]
Material = Annotated[
    Decimal,
    _text(materials.coefficient_of, "a material's name", "gauge steel"),
    _schema("gauge steel", anyOf=[{"enum": sorted(materials.COEFFICIENTS)}, {}]),
]
Drift = Annotated[Decimal, _text(_drift_mm_per_k, "a length per kelvin", "0.8 µm/K"), _schema("0.8 µm/K")]
DifferenceK = Annotated[
    Decimal, _text(parse_difference_k, "a difference of temperatures", "0.5 K"), _schema("0.5 K")
]
BenchC = Annotated[Decimal, _text(_bench_c, "a temperature with its scale", "21.5 °C"), _schema("21.5 °C")]
Degrees = Annotated[Decimal, _text(_degrees, "an angle in degrees", "90°"), _schema("90°")]
Day = Annotated[date, PlainValidator(_day), _schema("2027-03-31", format="date")]
LotChecks = Annotated[
    bool | tuple[LotCheck, ...],
    PlainValidator(_lot_checks),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "boolean"},
                {"type": "array", "items": {"enum": [end.value for end in LotCheck]}, "uniqueItems": True},
            ]
        }
    ),
]
ClockMinute = Annotated[int, PlainValidator(_clock_minute), _schema("06:00")]
Factor = Annotated[
    Decimal,
    PlainValidator(_factor),
    WithJsonSchema(
        {"anyOf": [{"type": "number", "minimum": 1, "maximum": 10}, {"type": "string"}], "examples": [2]}
    ),
]
DecisionRule = Annotated[
    Rule,
    _text(parse_rule, "a decision rule", "guarded acceptance by factor 1.65"),
    _schema("guarded acceptance by factor 1.65", anyOf=[{"enum": [name.value for name in RuleName]}, {}]),
]
Begin = Annotated[
    StartFrom | datetime,
    PlainValidator(_begin),
    WithJsonSchema(
        {
            "anyOf": [{"enum": [member.value for member in StartFrom]}, {"type": "string"}],
            "examples": ["now", "2026-11-01T06:00"],
        }
    ),
]
GaugeUnit = Annotated[
    SentUnit,
    _text(_sent_unit, "a unit of length", "mm"),
    _schema("mm", anyOf=[{"enum": [unit.value for unit in SentUnit]}, {}]),
]
DrawnUnit = Annotated[
    DrawingUnit, _text(_drawing_unit, "mm or in", "mm"), _schema("mm", anyOf=[{"enum": ["mm", "in"]}, {}])
]
