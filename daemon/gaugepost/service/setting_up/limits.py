"""Limits of size while somebody types them, worked out by what reads the station file: never by a page."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from zoneinfo import ZoneInfo

from gaugepost.core.quantity import CONTEXT, Length, Unit, exact_text, from_mm, round_to
from gaugepost.core.setup import CharacteristicEntry
from gaugepost.core.shown.numbers import signed
from gaugepost.core.tolerance import step_in
from gaugepost.edge.stationfile import sections
from gaugepost.edge.stationfile.findings import Finding, Report
from gaugepost.service.problems import finding
from gaugepost.service.views import Document

_NAME = "typed"
_BEFORE = f"characteristics.{_NAME}."
_OTHER = {Unit.MM: Unit.INCH, Unit.INCH: Unit.MM}
_FINE = {Unit.MM: Unit.MICROMETRE, Unit.INCH: Unit.MICROINCH}


def limits_answer(said: Mapping[str, str]) -> Document:
    """Return what a characteristic with the keys `said` comes to: limits as text in the drawing's unit and the other.

    `findings` say what is wrong with them, each under its key; then there is no limit.
    """
    raw = {"feature": "bore", **said, "gauges": ["any"]}
    report = Report("", {})
    tables = {name: {_NAME: raw} if name == "characteristics" else {} for name in sections.NAMED}
    entry = sections.entries(report, tables, ZoneInfo("UTC")).characteristics.get(_NAME)
    answer: Document = {"findings": [_under_its_key(each) for each in report.findings]}
    if entry is None or report.failed:
        return answer
    other = _OTHER[entry.unit]
    other_step = step_in(Length(entry.step, entry.unit), other)
    return {
        **answer,
        "feature": entry.feature.value,
        **_in(entry, entry.unit, entry.step),
        "step": exact_text(entry.step),
        "deviations": _deviations(entry),
        "other": _in(entry, other, other_step),
    }


def _under_its_key(found: Finding) -> Document:
    return {**finding(found), "key": found.key.removeprefix(_BEFORE), "line": 0}


def _in(entry: CharacteristicEntry, unit: Unit, step: Decimal) -> Document:
    """Return the limits in `unit`, to its step or where they don't lie on it to the digits that they have."""
    tolerance = None
    if entry.lower_mm is not None and entry.upper_mm is not None:
        tolerance = CONTEXT.subtract(entry.upper_mm, entry.lower_mm)
    return {
        "unit": unit.value,
        **{
            name: None if size is None else exact_text(round_to(from_mm(size, unit), step))
            for name, size in (
                ("lower", entry.lower_mm),
                ("upper", entry.upper_mm),
                ("nominal", entry.nominal_mm),
                ("tolerance", tolerance),
            )
        },
    }


def _deviations(entry: CharacteristicEntry) -> Document | None:
    """Return both limit deviations in thousandths of a millimetre or millionths of an inch; None without a nominal."""
    nominal = entry.nominal_mm
    if nominal is None or entry.lower_mm is None or entry.upper_mm is None:
        return None
    fine = _FINE[entry.unit]
    step = Decimal("0.1") if fine is Unit.MICROMETRE else Decimal(1)
    lower, upper = (
        signed(round_to(from_mm(CONTEXT.subtract(limit, nominal), fine), step).normalize(CONTEXT))
        for limit in (entry.lower_mm, entry.upper_mm)
    )
    return {"unit": fine.value, "lower": lower, "upper": upper}
