"""The lines of a record: three for a measurement, a note for everything else."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal

from gaugepost.commands.view import decision
from gaugepost.commands.view.bar import drawn
from gaugepost.commands.view.notes import note, reasons
from gaugepost.commands.view.style import (
    BOLD,
    DIM,
    YELLOW,
    Style,
    clean,
    folded,
    painted,
    wrapped,
)
from gaugepost.core.quantity import Unit, exact_text, from_mm, round_to, shown, step_of
from gaugepost.core.record import Kind

Record = Mapping[str, object]
"""A record as published: names of `core.record.COLUMNS`, exact numbers as text."""

_INDENT = 10
"""Columns that the time takes."""
_VALUE_WIDTH, _LIMIT_WIDTH = 17, 10
_FINEST = {Unit.MM: Decimal("0.0001"), Unit.INCH: Decimal("0.00001")}
"""Limits stated in the other unit have digits without end; values are shown to these steps then."""
_FINE_UNIT = {Unit.MM: (Unit.MICROMETRE, Decimal("0.1")), Unit.INCH: (Unit.MICROINCH, Decimal(1))}
_COARSE_MM = 1
"""A correction from here on is a size (a gauge that shows differences), and is shown as one."""
_LOUD = {Kind.BAD_FRAME, Kind.SUSPECT, Kind.GAP, Kind.SALVAGE}
_LOUD_CODES = {"failed", "refused", "lost", "unknown", "none", "not-asked"}


def lines(record: Record, style: Style) -> list[str]:
    """Return the lines that show `record`: without line ends, none wider than `style.width`."""
    if record["kind"] in (Kind.READING, Kind.RESULT):
        return _measured(record, style)
    is_loud = record["kind"] in _LOUD or record.get("code") in _LOUD_CODES
    told = wrapped(f"{_time(record, style)}  {clean(note(record), style)}", _INDENT, style)
    return [painted(line, YELLOW if is_loud else DIM, style) for line in told]


def _time(record: Record, style: Style) -> str:
    at = datetime.fromisoformat(str(record["measured_at"]))
    return at.astimezone(style.zone).strftime("%H:%M:%S")


def _measured(record: Record, style: Style) -> list[str]:
    head = wrapped(f"{_time(record, style)}  {clean(_head(record), style)}", _INDENT, style)
    detail = folded([clean(part, style) for part in _details(record)], _INDENT, style)
    why = reasons(record)
    why = f"{'note:' if record.get('decision') == 'accept' else 'because'} {why}" if why else ""
    told = wrapped(" " * _INDENT + clean(why, style), _INDENT, style) if why else []
    beside = [*decision.details(record), *(f"{each} not judged" for each in _unjudged(record))]
    decided = folded([clean(part, style) for part in beside], _INDENT, style)
    return [*head, _scale(record, style), *(painted(line, DIM, style) for line in detail), *decided, *told]


def _head(record: Record) -> str:
    parts = [f"{name} {record[name]}" for name in ("piece", "position") if record.get(name)]
    parts.insert(min(1, len(parts)), str(record.get("characteristic") or "no characteristic"))
    parts.append(str(record.get("gauge")))
    attempt = record.get("attempt")
    if isinstance(attempt, int) and attempt > 1:
        parts.append(f"attempt {attempt}")
    if record["kind"] == Kind.RESULT and record.get("text"):
        parts.append(f"{record['text']}")
    return " · ".join(parts)


def _scale(record: Record, style: Style) -> str:
    """The line with the value, the limits and the verdict; its columns stand still."""
    value, lower, upper = (
        _value(record),
        _number(record, "lower"),
        _number(record, "upper"),
    )
    deviation = _number(record, "deviation")
    nominal = None if value is None or deviation is None else value - deviation
    accepting = _number(record, "lower_acceptance"), _number(record, "upper_acceptance")
    row = drawn(value, lower, upper, nominal, accepting=accepting, plain=style.ascii)
    word, colour = _word(record)
    at, marked = row.value_at, row.text
    if at is not None:
        value_mark = painted(painted(marked[at], colour, style), BOLD, style)
        marked = marked[:at] + value_mark + marked[at + 1 :]
    shown_value = painted(value_text(record).rjust(_VALUE_WIDTH), BOLD, style)
    left, right = (_limit(limit, _step(record)) for limit in (lower, upper))
    cells = f"  {shown_value} {left:>{_LIMIT_WIDTH}} {marked} {right:<{_LIMIT_WIDTH}}"
    return f"{cells} {painted(word, colour, style)}"


def value_text(record: Record) -> str:
    """Return a measurement's value with its unit, rounded once, never so that it looks inside a limit it exceeds."""
    digits = _digits(record)
    return f"{digits} {_unit(record)}" if digits else "no value"


def verdict_text(record: Record) -> str:
    """Return a measurement's verdict as a word, or its decision where that is another than the verdict looks like."""
    return _word(record)[0]


def _word(record: Record) -> tuple[str, str]:
    """The first word, and the colour that stands beside it."""
    return decision.word(record) or ("one of more", DIM)


def _unit(record: Record) -> Unit:
    return Unit(str(record.get("unit", Unit.MM)))


def _value(record: Record) -> Decimal | None:
    return _number(record, "value" if "unit" in record else "value_mm")


def _digits(record: Record) -> str:
    value = _value(record)
    if value is None:
        return ""
    return shown(value, _step(record), _number(record, "lower"), _number(record, "upper"))


def _step(record: Record) -> Decimal:
    """The step that values are shown to: that of the limits as stated, as far as it is one of a drawing."""
    finest = _FINEST.get(_unit(record), Decimal("0.01"))
    limits = [_number(record, name) for name in ("lower", "upper")]
    return max([finest, min((step_of(limit) for limit in limits if limit is not None), default=finest)])


def _limit(limit: Decimal | None, step: Decimal) -> str:
    return "" if limit is None else exact_text(round_to(limit, step))


def _details(record: Record) -> list[str]:
    """What made the value: the parts of the lines below it."""
    unit, parts = _unit(record), []
    if (deviation := _number(record, "deviation")) is not None:
        step = step_of(Decimal(_digits(record) or "0"))
        parts.append(f"deviation {_signed(round_to(deviation, step))}")
    if "indication" in record:
        parts.append(f"showed {record['indication']} {record.get('indication_unit', '')}".rstrip())
    corrections = {name: _number(record, f"{name}_correction_mm") for name in ("master", "thermal")}
    parts += [f"{name} {_fine(added, unit)}" for name, added in corrections.items() if added is not None]
    parts += _temperatures(record)
    if (uncertainty := _number(record, "uncertainty_mm")) is not None:
        parts.append(f"U {_fine(uncertainty, unit).lstrip('+')} (k = {record.get('coverage_factor')})")
    return parts


def _temperatures(record: Record) -> list[str]:
    """Each temperature once, with the bodies that have it: "24.10 °C part", "23.40 °C gauge, master (assumed)"."""
    bodies: dict[tuple[str, str], list[str]] = {}
    for body in ("part", "gauge", "master"):
        if (celsius := record.get(f"{body}_temperature_c")) is not None:
            source = str(record.get(f"{body}_temperature_source", ""))
            bodies.setdefault((str(celsius), source), []).append(body)
    return [
        f"{', '.join(named)} {celsius} °C" + (f" {source}" if source != "measured" else "")
        for (celsius, source), named in bodies.items()
    ]


def _fine(value_mm: Decimal, unit: Unit) -> str:
    """A correction as people say it: in µm or µin, or in the drawing's unit where it is a size."""
    if abs(value_mm) >= _COARSE_MM:
        return f"{_signed(round_to(from_mm(value_mm, unit), _FINEST.get(unit, Decimal(1))))} {unit}"
    fine, step = _FINE_UNIT.get(unit, _FINE_UNIT[Unit.MM])
    return f"{_signed(round_to(from_mm(value_mm, fine), step))} {fine}"


def _signed(value: Decimal) -> str:
    return format(value, "+f") if value else format(abs(value), "f")


def _unjudged(record: Record) -> list[str]:
    """What the drawing asks for beside, and nobody judged: "envelope requirement"."""
    listed = record.get("requirements_not_judged")
    return [f"{each} requirement" for each in listed] if isinstance(listed, list) else []


def _number(record: Record, name: str) -> Decimal | None:
    return Decimal(str(record[name])) if record.get(name) is not None else None
