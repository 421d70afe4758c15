"""A trace as plain values: for JSON, for a table of values separated by commas, and for whoever lays it out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from gaugepost.core.bench.tracing.tracing import CheckRow, Row, Trace
from gaugepost.core.conformity import Decision
from gaugepost.core.publication import publish, record_id, rfc3339
from gaugepost.core.record import Entry, Record

BECOMES = (
    "value", "uncertainty_mm", "verdict", "decision", "conformity", "probability", "remedy", "ovality_mm", "taper_mm",
    "barrel_mm", "bell_mouth_mm",
)  # fmt: skip
"""What is shown as it stands and as it becomes."""
_BELONGS = (
    "gauge", "characteristic", "position", "lot", "piece", "attempt", "operator", "master", "mastering", "unit",
)  # fmt: skip
COLUMNS = (
    "action", "kind", "id", "measured_as", "measured_at", *_BELONGS,
    *(name for each in BECOMES for name in (each, f"{each}_becomes")), "changes",
)  # fmt: skip
GET_BACK = "get it back: it was accepted and is not"
MEASURE_AGAIN = "measure it again: it was accepted and is no longer proved"
RELEASE = "it can be released: it was not accepted and is"
LOOK = "look at it: its decision is another"
ACTIONS = (GET_BACK, MEASURE_AGAIN, RELEASE, LOOK)
"""What is to be done, the most urgent first."""


def action(row: Row) -> str:
    """Return what is to be done about a row; empty where its decision stays."""
    before, after = row.stands.record.decision, row.made.decision
    if before == after:
        return ""
    if before == Decision.ACCEPT:
        return GET_BACK if after == Decision.REJECT else MEASURE_AGAIN
    return RELEASE if after == Decision.ACCEPT else LOOK


def counts(trace: Trace) -> dict[str, Any]:
    """Return how many depended on it, how many change, and how many of each action there are."""
    actions = Counter(action(row) for row in trace.rows)
    return {
        "depended": len(trace.rows),
        "changed": sum(bool(row.changes) for row in trace.rows),
        "decision_changed": sum(actions[each] for each in ACTIONS),
        **{_KEYS[each]: actions[each] for each in ACTIONS},
        "checks_changed": len(trace.checks),
        "voided": trace.voided,
        "cannot_be_made_again": trace.lost,
    }


_KEYS = {GET_BACK: "get_back", MEASURE_AGAIN: "measure_again", RELEASE: "release", LOOK: "look"}


def row_document(row: Row, epoch: str) -> dict[str, Any]:
    """Return a row under the names of `COLUMNS`; what does not apply is left out."""
    stands, made = _published(row.stands, row.stands.record, epoch), _published(row.stands, row.made, epoch)
    said: dict[str, Any] = {
        "action": action(row) or None,
        "kind": row.kind.value,
        "id": stands["id"],
        "measured_as": record_id(epoch, row.base),
        "measured_at": rfc3339(row.measured_at),
        **{name: stands.get(name) for name in _BELONGS},
    }
    for name in BECOMES:
        said[name], said[f"{name}_becomes"] = stands.get(name), made.get(name)
    said["changes"] = list(row.changes)
    return {name: value for name, value in said.items() if value is not None}


def check_document(row: CheckRow, epoch: str) -> dict[str, Any]:
    """Return a check whose outcome is another."""
    entry = Entry(row.sequence, b"", row.record)
    stands, made = _published(entry, row.record, epoch), _published(entry, row.made, epoch)
    names = ("id", "measured_at", "gauge", "master", "error_mm", "limit_mm", "uncertainty_mm")
    return {
        **{name: stands.get(name) for name in names},
        "error_mm_becomes": made.get("error_mm"),
        "uncertainty_mm_becomes": made.get("uncertainty_mm"),
        "code": row.record.code,
        "code_becomes": "passed" if row.passes else "failed",
    }


def document(trace: Trace, epoch: str, limit: int | None = None) -> dict[str, Any]:
    """Return a trace: what was asked, how many, the checks, and the first `limit` rows, the most urgent first."""
    rows = sorted(trace.rows, key=urgency)
    shown = rows[:limit]
    asked = trace.asked
    return {
        "what": asked.what.value,
        "name": asked.name or record_id(epoch, asked.sequence),
        "since": None if asked.since_ms is None else rfc3339(asked.since_ms),
        "until": None if asked.until_ms is None else rfc3339(asked.until_ms),
        "corrected": list(trace.revision.texts()),
        "through": trace.through,
        "counts": counts(trace),
        "checks": [check_document(each, epoch) for each in trace.checks],
        "rows": [row_document(row, epoch) for row in shown],
        "left_out": len(rows) - len(shown),
    }


def urgency(row: Row) -> tuple[int, int]:
    """Return the place of a row in a list to act on."""
    said = action(row)
    rank = ACTIONS.index(said) if said else len(ACTIONS) + (not row.changes)
    return rank, row.base


def _published(entry: Entry, record: Record, epoch: str) -> Mapping[str, Any]:
    return publish(Entry(entry.sequence, b"", record), epoch, "")
