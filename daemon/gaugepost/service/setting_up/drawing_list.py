"""A drawing's list as it is previewed: every heading and row, with all that is to be said of each."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from gaugepost.edge.drawing_list import Asked, Row, Said, State, look_over, read_cells
from gaugepost.edge.drawing_list.columns import LIMIT_KEYS
from gaugepost.edge.editing import edited
from gaugepost.edge.stationfile import Finding
from gaugepost.edge.stationfile.source import parse
from gaugepost.service.setting_up.limits import limits_answer
from gaugepost.service.views import Document

_LIMITS = ("feature", "unit", "step", *LIMIT_KEYS)


def list_answer(text: str, station: str, asked: Asked, found: Callable[[str], Iterable[Finding]]) -> Document:
    """Return the preview of the list `text` for the station file `station`; `found` says what is wrong with a file.

    Raises:
        ValueRefused: the list can't be read at all, or something else in the file would not be right.
        StationFileError, CommandRefused: the station file can't be read, or not edited in place.
    """
    there = parse(station.encode(), "").raw.get("characteristics", {})
    known = (
        {name: table for name, table in there.items() if isinstance(table, dict)}
        if isinstance(there, dict)
        else {}
    )
    looked = look_over(read_cells(text), known, asked, lambda change: found(edited(station, change)))
    return {
        "headings": [{"heading": heading, "key": key} for heading, key in looked.headings],
        "findings": [_said(each) for each in looked.said],
        "rows": [_row(each) for each in looked.rows],
        "counts": {state.value: sum(each.state is state for each in looked.rows) for state in State},
        "change": looked.change,
    }


def _row(row: Row) -> Document:
    limits = limits_answer({key: str(row.table[key]) for key in _LIMITS if key in row.table})
    return {
        "line": row.line,
        "cells": list(row.cells),
        "name": row.name,
        "state": row.state.value,
        "limits": {key: limits[key] for key in ("unit", "lower", "upper")} if "unit" in limits else None,
        "findings": [_said(each) for each in row.said],
    }


def _said(said: Said) -> Document:
    severity = "warning" if said.warning else "error"
    return {
        "column": said.column,
        "finding": said.finding,
        "expected": said.expected,
        "write": said.write,
        "severity": severity,
    }
