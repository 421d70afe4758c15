"""A trace as people read it: how much, what is to be done, and each measurement as it stands and as it becomes."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from gaugepost.contract import cell
from gaugepost.core.bench.tracing.document import (
    COLUMNS,
    action,
    check_document,
    counts,
    row_document,
    urgency,
)
from gaugepost.core.bench.tracing.tracing import Row, Trace
from gaugepost.edge.files import written

MOST_LINES = 200
_HEADS = (
    "record",
    "measured",
    "characteristic",
    "lot / piece",
    "value",
    "becomes",
    "unit",
    "decision",
    "becomes",
)


def lines(made: Trace, epoch: str, *, every: bool) -> Iterator[str]:
    """Yield the trace, line by line; what stays as it is only where `every` row is asked for."""
    said, asked = counts(made), made.asked
    yield f"{asked.what.value} {asked.name or asked.sequence}: {said['depended']} measurements depended on it"
    yield from (f"  corrected  {text}" for text in made.revision.texts())
    if made.voided:
        yield f"  besides    {made.voided} that were voided"
    if made.lost:
        why = "records that they rest on are missing, or two masters come out equal or exchanged"
        yield f"  besides    {made.lost} that can't be made again: {why}"
    if made.revision:
        yield f"  changed    {said['changed']}, and the decision of {said['decision_changed']}"
    for each in made.checks:
        told = check_document(each, epoch)
        was, now = told["error_mm"], told["error_mm_becomes"]
        yield (
            f"  check      {each.sequence} of {told['gauge']} on {told['master']} {told['code']} with {was} mm, "
            f"with {now} mm it would have {told['code_becomes']}"
        )
    rows = sorted((row for row in made.rows if every or action(row)), key=urgency)
    groups = dict.fromkeys(action(row) for row in rows)
    for group in groups:
        of_group = [row for row in rows if action(row) == group]
        yield ""
        yield f"{group or 'the decision stays'} ({len(of_group)})"
        yield from _table(of_group[:MOST_LINES], epoch)
        if len(of_group) > MOST_LINES:
            yield f"  and {len(of_group) - MOST_LINES} more: --csv FILE or --json has them all"


def write_csv(path: Path, made: Trace, epoch: str) -> None:
    """Write every row, the most urgent first: whole or not at all. Raises `OSError`."""
    with written(path) as stream:
        writer = csv.writer(stream)
        writer.writerow(COLUMNS)
        for row in sorted(made.rows, key=urgency):
            said = row_document(row, epoch)
            writer.writerow([cell(said.get(name)) for name in COLUMNS])


def _table(rows: list[Row], epoch: str) -> Iterator[str]:
    cells = [_HEADS, *(_cells(row, epoch) for row in rows)]
    widths = [max(len(each[column]) for each in cells) for column in range(len(_HEADS))]
    for each in cells:
        yield "  " + "  ".join(text.ljust(width) for text, width in zip(each, widths, strict=True)).rstrip()


_FIGURES = ("ovality", "taper", "barrel", "bell_mouth")


def _shown(said: Mapping[str, Any], which: str) -> str:
    """Return a measurement's value, or a form's figures in mm."""
    if (value := said.get(f"value{which}")) is not None:
        return str(value)
    figures = ((figure, said.get(f"{figure}_mm{which}")) for figure in _FIGURES)
    return ", ".join(f"{figure.replace('_', '-')} {mm}" for figure, mm in figures if mm is not None)


def _cells(row: Row, epoch: str) -> tuple[str, ...]:
    said = row_document(row, epoch)
    where = " / ".join(str(said[name]) for name in ("lot", "piece", "position") if name in said)
    verdicts = [
        str(said.get(f"decision{which}") or said.get(f"verdict{which}") or "") for which in ("", "_becomes")
    ]
    return (
        str(row.stands.sequence),
        str(said["measured_at"])[:16].replace("T", " "),
        str(said.get("characteristic", "")),
        where,
        _shown(said, ""),
        _shown(said, "_becomes"),
        str(said.get("unit", "")),
        *verdicts,
    )
