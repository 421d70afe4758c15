"""Numbers of a published record as text: rounded once, in the drawing's unit or in its thousandth.

A record is a mapping with the names of `core.record.COLUMNS`, exact numbers as text.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from gaugepost.core.quantity import CONTEXT, Unit, exact_text, from_mm, round_to, shown, step_of

Record = Mapping[str, object]

FINEST = {Unit.MM: Decimal("0.0001"), Unit.INCH: Decimal("0.00001")}
"""Limits stated in the other unit have digits without end; values are shown to these steps then."""
_FINE_UNIT = {Unit.MM: (Unit.MICROMETRE, Decimal("0.1")), Unit.INCH: (Unit.MICROINCH, Decimal(1))}
_COARSE_MM = 1
"""A correction from here on is a size (a gauge that shows differences), and is shown as one."""
_TENTH = Decimal("0.1")


def number(record: Record, name: str) -> Decimal | None:
    """Return the exact number under `name`, None where it does not apply."""
    return Decimal(str(record[name])) if record.get(name) is not None else None


def unit_of(record: Record) -> Unit:
    """Return the unit that the record's value is shown in."""
    return Unit(str(record.get("unit", Unit.MM)))


def value_of(record: Record) -> Decimal | None:
    """Return a measurement's value in that unit."""
    return number(record, "value" if "unit" in record else "value_mm")


def digits(record: Record) -> str:
    """Return a measurement's digits, never so that it looks inside a limit it exceeds; empty without a value."""
    value = value_of(record)
    if value is None:
        return ""
    return shown(value, _step(record), number(record, "lower"), number(record, "upper"))


def limit(record: Record, name: str) -> str:
    """Return a limit's digits, `lower` or `upper`; empty where there is none."""
    stated = number(record, name)
    return "" if stated is None else exact_text(round_to(stated, _step(record)))


def deviation(record: Record) -> str:
    """Return the deviation with its sign, to as many digits as the value is shown to; empty without one."""
    stated = number(record, "deviation")
    if stated is None:
        return ""
    return signed(round_to(stated, step_of(Decimal(digits(record) or "0"))))


def uncertainty(record: Record) -> str:
    """Return the expanded uncertainty with its unit: "3.1 µm"; empty where none is stated."""
    expanded = number(record, "uncertainty_mm")
    return "" if expanded is None else fine(expanded, unit_of(record)).lstrip("+")


def acceptance(record: Record) -> tuple[str, str]:
    """Return the acceptance limits of a guarded rule, rounded inwards: what is shown inside them is inside them."""
    step = Decimal("0.00001") if unit_of(record) is Unit.INCH else Decimal("0.0001")
    lower, upper = (
        "" if (said := number(record, name)) is None else str(said.quantize(step, rounding=towards))
        for name, towards in (("lower_acceptance", ROUND_CEILING), ("upper_acceptance", ROUND_FLOOR))
    )
    return lower, upper


def fine(value_mm: Decimal, unit: Unit) -> str:
    """Return a correction as people say it: in µm or µin, or in the drawing's unit where it is a size."""
    if abs(value_mm) >= _COARSE_MM:
        return f"{signed(round_to(from_mm(value_mm, unit), FINEST.get(unit, Decimal(1))))} {unit}"
    thousandth, step = _FINE_UNIT.get(unit, _FINE_UNIT[Unit.MM])
    return f"{signed(round_to(from_mm(value_mm, thousandth), step))} {thousandth}"


def percent(probability: object) -> str:
    """Return a probability given as text in percent, to a tenth; never so that it looks certain: "> 99.9 %"."""
    share = CONTEXT.multiply(Decimal(str(probability)), Decimal(100))
    if share < _TENTH:
        return "< 0.1 %"
    return f"{round_to(share, _TENTH)} %" if share <= 100 - _TENTH else "> 99.9 %"


def signed(value: Decimal) -> str:
    """Return a number with its sign, zero without one."""
    return format(value, "+f") if value else format(abs(value), "f")


def _step(record: Record) -> Decimal:
    """The step that values are shown to: that of the limits as stated, as far as it is one of a drawing."""
    finest = FINEST.get(unit_of(record), Decimal("0.01"))
    limits = [number(record, name) for name in ("lower", "upper")]
    return max([finest, min((step_of(each) for each in limits if each is not None), default=finest)])
