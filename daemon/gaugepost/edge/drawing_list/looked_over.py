"""Every row held against the station file as it would be with it, by what reads that file."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from gaugepost.core.errors import ValueRefused
from gaugepost.edge.drawing_list.cells import Cells
from gaugepost.edge.drawing_list.columns import LIMIT_KEYS, key_of, unknown
from gaugepost.edge.drawing_list.rows import Asked, Row, Said, State, row
from gaugepost.edge.editing import merged
from gaugepost.edge.stationfile import Finding, Severity
from gaugepost.edge.stationfile.findings import key_text, toml

_WRITE = re.compile(r'write (?:\w+ = )?"([^"]*)"')
"""A remedy as the station file has it; in a cell there are neither keys nor quotes."""

Change = dict[str, Any]
Reading = Callable[[Change], Iterable[Finding]]
"""Returns what is found in the station file after a merge patch, errors and warnings."""


@dataclass(frozen=True, slots=True)
class Looked:
    """A list looked over: what its headings stand for, its rows, and the edit that takes the good ones."""

    headings: tuple[tuple[str, str | None], ...]
    """Each heading with its key; None for a column that is not taken."""
    said: tuple[Said, ...]
    """What is to be said of the headings."""
    rows: tuple[Row, ...]
    change: Change
    """A merge patch of the station file; empty where no row is good and otherwise than it is."""


def look_over(
    cells: Cells, characteristics: Mapping[str, Mapping[str, Any]], asked: Asked, read: Reading
) -> Looked:
    """Return what becomes of a list in a station that has these `characteristics`; `read` is asked a few times."""
    columns, said = _columns(cells)
    rows = [row(line, each, columns, len(cells.headings), asked) for line, each in cells.rows]
    if any(not each.warning for each in said):
        for each in rows:
            each.said.append(Said(None, "waits for the headings to be put right"))
    _twice(rows, columns)
    _every_error(rows, columns, characteristics, read)
    while True:
        good = {each.name: each for each in rows if not each.wrong}
        change = {name: _change(each.table, characteristics.get(name)) for name, each in good.items()}
        found = list(read({"characteristics": change})) if change else []
        errors = _at_rows(good, columns, found, Severity.ERROR)
        if not errors:
            break
    _at_rows(good, columns, found, Severity.WARNING)
    for each in rows:
        each.state = _state(each, characteristics)
    taken = {name: change[name] for name, each in good.items() if each.state is not State.SAME}
    keys = tuple((heading, key_of(heading)) for heading in cells.headings)
    return Looked(keys, tuple(said), tuple(rows), {"characteristics": taken} if taken else {})


def _every_error(
    rows: list[Row],
    columns: Mapping[str, int],
    characteristics: Mapping[str, Mapping[str, Any]],
    read: Reading,
) -> None:
    """Hold what is wrong already against the file too, under names of its own: it may be wrong otherwise as well."""
    free = (each for each in rows if each.wrong and f"line-{each.line}" not in characteristics)
    wrong = {f"line-{each.line}": each for each in free}
    change = {name: {"feature": "bore", **each.table} for name, each in wrong.items()}
    if change:
        known = {id(each): len(each.said) for each in rows}
        _at_rows(wrong, columns, read({"characteristics": change}), Severity.ERROR)
        for each in wrong.values():
            at = {said.column for said in each.said[: known[id(each)]]} - {None}
            each.said[known[id(each)] :] = [
                said for said in each.said[known[id(each)] :] if said.column not in at
            ]


def _columns(cells: Cells) -> tuple[dict[str, int], list[Said]]:
    columns: dict[str, int] = {}
    said = []
    for at, heading in enumerate(cells.headings):
        key = key_of(heading)
        if key is None:
            used = any(at < len(each) and each[at] for _, each in cells.rows)
            if heading or used:
                error = unknown(heading)
                said.append(Said(at, error.finding, error.hint, warning=True))
        elif key in columns:
            first = cells.headings[columns[key]]
            said.append(
                Said(at, f"says the same as the column {toml(first)}", "take one of the two columns out")
            )
        else:
            columns[key] = at
    if "name" not in columns:
        said.append(
            Said(None, "no column is headed name", "write name above the names of the characteristics")
        )
    if not any(key in columns for key in LIMIT_KEYS):
        said.append(
            Said(
                None,
                "no column says the limits",
                "write limits, or nominal with upper deviation and lower deviation or with tolerance class, or "
                "lower limit and upper limit",
            )
        )
    return columns, said


def _twice(rows: list[Row], columns: Mapping[str, int]) -> None:
    first: dict[str, Row] = {}
    for each in rows:
        if each.name and each.name in first:
            each.said.append(
                Said(columns["name"], f"line {first[each.name].line} has this name too", "write another name")
            )
        else:
            first[each.name] = each


def _change(table: Mapping[str, Any], there: Mapping[str, Any] | None) -> Change:
    """Return the patch that has a characteristic say what its row says: limits one way only."""
    says = any(key in table for key in LIMIT_KEYS)
    gone = [key for key in LIMIT_KEYS if says and there and key in there and key not in table]
    return {**table, **dict.fromkeys(gone)}


def _at_rows(
    good: Mapping[str, Row], columns: Mapping[str, int], found: Iterable[Finding], severity: Severity
) -> bool:
    """Say at their rows what was found; return whether there was anything. Raises where the file else is wrong."""
    prefixes = {key_text(("characteristics", name)): each for name, each in good.items()}
    any_found = False
    for finding in found:
        if finding.severity is not severity:
            continue
        at, inner = _row_of(prefixes, finding.key)
        if at is None:
            if severity is Severity.ERROR:
                raise ValueRefused(
                    f"something else in the station file would not be right: {finding.key}: {finding.finding}",
                    hint=finding.write or "put that right first",
                )
            continue
        any_found = True
        literal = _WRITE.fullmatch(finding.write)
        write = f"write {literal[1]}" if literal else finding.write
        key = re.split(r"[.\[]", inner, maxsplit=1)[0]
        column = columns.get(key)
        named = f"{key.replace('_', ' ')} {finding.finding}" if column is None and key else finding.finding
        warns = severity is Severity.WARNING
        at.said.append(Said(column, named, write, finding.expected, warning=warns))
    return any_found


def _row_of(prefixes: Mapping[str, Row], key: str) -> tuple[Row | None, str]:
    if key in prefixes:
        return prefixes[key], ""
    for cut in (at for at, mark in enumerate(key) if mark in ".["):
        if key[:cut] in prefixes:
            return prefixes[key[:cut]], key[cut:].lstrip(".")
    return None, ""


def _state(each: Row, characteristics: Mapping[str, Mapping[str, Any]]) -> State:
    if each.wrong:
        return State.WRONG
    there = characteristics.get(each.name)
    if there is None:
        return State.NEW
    return State.SAME if merged(there, _change(each.table, there)) == dict(there) else State.CHANGES
