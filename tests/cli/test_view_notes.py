"""Every kind of record beside readings is one short note in the terminal view."""

from __future__ import annotations

from typing import Any

import pytest

from gaugepost.commands.view import Style, lines
from gaugepost.core.record import Kind

AT = "2026-11-25T09:00:00.000Z"
SHOWED, SPREAD = {"indication": "1.2", "indication_unit": "mm"}, {"spread_mm": "0.001"}
NOTES: list[tuple[dict[str, Any], str]] = [
    (
        {
            "kind": "form",
            "piece": "4",
            "characteristic": "spool-bore",
            "unit": "mm",
            "ovality_mm": "0.0052",
            "taper_mm": "-0.0060",
        },
        "piece 4 · spool-bore · form: ovality 5.2 µm, taper -6.0 µm",
    ),
    (
        {
            "kind": "form",
            "characteristic": "seat",
            "unit": "in",
            "taper_mm": "0.00127",
            "taper_uncertainty_mm": "0.000635",
            "reasons": ["three-point contact can't see an oval: no ovality is stated"],
        },
        "seat · form: taper 50 µin ± 25 µin; three-point contact can't see an oval: no ovality is stated",
    ),
    ({"kind": "start", "program": "0.1.0"}, "service started, version 0.1.0"),
    ({"kind": "stop"}, "service stopped"),
    ({"kind": "set-up"}, "station file in force"),
    ({"kind": "link", "link": "com-1", "code": "lost", "text": "unplugged"}, "com-1 lost: unplugged"),
    ({"kind": "tags", "lot": "L-7", "operator": "op-17"}, "now operator op-17 · lot L-7"),
    ({"kind": "temperature", "thermometer": "t", "body": "air", "temperature_c": "23.40"}, "t: air 23.40 °C"),
    ({"kind": "condition", "gauge": "b", "code": "E4", "text": "not settled"}, "b says E4: not settled"),
    (
        {
            "kind": "condition",
            "gauge": "b",
            "code": "check-due-soon",
            "text": "due in 9 min: the check every 2 h",
        },
        "b: due in 9 min: the check every 2 h",
    ),
    (
        {"kind": "check-begun", "gauge": "b", "master": "r", "count": 1, "to_scan": ["r"]},
        "check b: scan r, read r once",
    ),
    (
        {"kind": "bad-frame", "gauge": "b", "text": "no value", "raw": "1b5b", "count": 1},
        "from b: no value [1b 5b]",
    ),
    ({"kind": "suppressed", "gauge": "b", "text": "doubled"}, "b not counted: doubled"),
    ({"kind": "mastering-begun", "gauge": "b", "master": "r", "count": 3}, "master b: read r 3 times"),
    ({"kind": "check-begun", "gauge": "b", "master": "r", "count": 1}, "check b: read r once"),
    (
        {"kind": "master-reading", "gauge": "b", "master": "r", "count": 2} | SHOWED,
        "b on r, reading 2: 1.2 mm",
    ),
    (
        {"kind": "mastering", "gauge": "b", "master": "r", "code": "accepted"} | SPREAD,
        "ACCEPTED, spread 1.0 µm",
    ),
    ({"kind": "mastering", "gauge": "b", "master": "r", "code": "refused", "reasons": ["x"]}, "REFUSED: x"),
    (
        {
            "kind": "check",
            "gauge": "b",
            "master": "r",
            "code": "failed",
            "error_mm": "-0.0031",
            "limit_mm": "0.002",
        },
        "FAILED, off by -3.1 µm (limit 2.0 µm)",
    ),
    ({"kind": "abandoned", "gauge": "b", "text": "a check was begun"}, "b abandoned: a check was begun"),
    ({"kind": "report", "gauge": "b", "text": "dropped"}, "b reported: dropped"),
    ({"kind": "suspect", "gauge": "b", "text": "4 readings"}, "b SUSPECT: 4 readings"),
    (
        {"kind": "lifted", "gauge": "b", "replaces": "e-7", "operator": "Q1", "text": "wiped, checked again"},
        "b no longer suspect, e-7 lifted by Q1: wiped, checked again",
    ),
    (
        {"kind": "void", "replaces": "e-7", "operator": "op-1", "text": "wrong piece"},
        "void e-7 by op-1: wrong piece",
    ),
    (
        {
            "kind": "rejudged",
            "replaces": "e-7",
            "value": "38.0261",
            "unit": "mm",
            "verdict": "oversize",
            "decision": "reject",
            "text": "ring-38 came back smaller",
            "operator": "op-1",
        },
        "JUDGED AGAIN e-7: 38.0261 mm oversize reject, by op-1: ring-38 came back smaller",
    ),
    ({"kind": "amendment", "replaces": "e-7", "text": "lot"}, "amendment e-7: lot"),
    ({"kind": "gap", "text": "not recording for 3 s"}, "GAP: not recording for 3 s"),
    ({"kind": "attempt", "text": "the piece was reworked"}, "another attempt: the piece was reworked"),
    (
        {"kind": "scan", "device": "hand", "code": "unknown", "text": "'x' fits none"},
        "hand unknown: 'x' fits",
    ),
    ({"kind": "trigger", "device": "pedal", "code": "ask", "text": "b is asked"}, "pedal: b is asked"),
    ({"kind": "stream", "gauge": "b", "text": "smallest of 41 in 0.8 s"}, "b: smallest of 41 in 0.8 s"),
    ({"kind": "salvage", "text": "12 of 14 records"}, "SALVAGED: 12 of 14 records"),
    ({"kind": "archive", "text": "records 1 to 9"}, "archived: records 1 to 9"),
    (
        {
            "kind": "signature",
            "code": "lot",
            "lot": "L-7",
            "meaning": "approval",
            "printed_name": "Mara Example",
            "operator": "M2",
        },
        "SIGNED lot L-7: approval, Mara Example (M2)",
    ),
    (
        {"kind": "access", "person": "M2", "code": "role", "operator": "M1", "text": "M2 is setter"},
        "M2: role, by M1: M2 is setter",
    ),
    ({"kind": "checkpoint", "last": 90}, "checkpoint: records up to 90 signed"),
]


@pytest.mark.parametrize(("fields", "expected"), NOTES, ids=lambda value: str(value)[:30])
def test_everything_else_is_a_note(fields: dict[str, Any], expected: str) -> None:
    """Every other kind of record is one short note that says what happened."""
    text = lines({"measured_at": AT} | fields, Style(width=200))
    assert len(text) == 1
    assert expected in text[0]


def test_every_kind_has_words_of_its_own() -> None:
    """No kind of record is shown by its bare name."""
    noted = {fields["kind"] for fields, _ in NOTES} | {Kind.READING, Kind.RESULT}
    assert noted == set(Kind)
