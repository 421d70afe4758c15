"""The lines of a record: three for a measurement, a note for everything else."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

from gaugepost.commands.view import decision
from gaugepost.commands.view.bar import drawn
from gaugepost.commands.view.notes import note, numbered, reasons
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
from gaugepost.core.record import Kind
from gaugepost.core.shown import deviation, digits, fine, limit, number, uncertainty, unit_of, value_of

Record = Mapping[str, object]
"""A record as published: names of `core.record.COLUMNS`, exact numbers as text."""

_INDENT = 10
"""Columns that the time takes."""
_VALUE_WIDTH, _LIMIT_WIDTH = 17, 10
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
    return " · ".join(parts) + numbered(record)


def _scale(record: Record, style: Style) -> str:
    """The line with the value, the limits and the verdict; its columns stand still."""
    value, lower, upper = value_of(record), number(record, "lower"), number(record, "upper")
    away = number(record, "deviation")
    nominal = None if value is None or away is None else value - away
    accepting = number(record, "lower_acceptance"), number(record, "upper_acceptance")
    row = drawn(value, lower, upper, nominal, accepting=accepting, plain=style.ascii)
    word, colour = _word(record)
    at, marked = row.value_at, row.text
    if at is not None:
        value_mark = painted(painted(marked[at], colour, style), BOLD, style)
        marked = marked[:at] + value_mark + marked[at + 1 :]
    shown_value = painted(value_text(record).rjust(_VALUE_WIDTH), BOLD, style)
    left, right = (limit(record, name) for name in ("lower", "upper"))
    cells = f"  {shown_value} {left:>{_LIMIT_WIDTH}} {marked} {right:<{_LIMIT_WIDTH}}"
    return f"{cells} {painted(word, colour, style)}"


def value_text(record: Record) -> str:
    """Return a measurement's value with its unit, rounded once, never so that it looks inside a limit it exceeds."""
    shown = digits(record)
    return f"{shown} {unit_of(record)}" if shown else "no value"


def verdict_text(record: Record) -> str:
    """Return a measurement's verdict as a word, or its decision where that is another than the verdict looks like."""
    return _word(record)[0]


def _word(record: Record) -> tuple[str, str]:
    """The first word, and the colour that stands beside it."""
    return decision.word(record) or ("one of more", DIM)


def _details(record: Record) -> list[str]:
    """What made the value: the parts of the lines below it."""
    unit, parts = unit_of(record), []
    if away := deviation(record):
        parts.append(f"deviation {away}")
    if "indication" in record:
        parts.append(f"showed {record['indication']} {record.get('indication_unit', '')}".rstrip())
    corrections = {name: number(record, f"{name}_correction_mm") for name in ("master", "thermal")}
    parts += [f"{name} {fine(added, unit)}" for name, added in corrections.items() if added is not None]
    parts += _temperatures(record)
    if expanded := uncertainty(record):
        parts.append(f"U {expanded} (k = {record.get('coverage_factor')})")
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


def _unjudged(record: Record) -> list[str]:
    """What the drawing asks for beside, and nobody judged: "envelope requirement"."""
    listed = record.get("requirements_not_judged")
    return [f"{each} requirement" for each in listed] if isinstance(listed, list) else []
