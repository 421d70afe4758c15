"""The one word that a person is shown of a measurement first."""

from __future__ import annotations

from collections.abc import Mapping


def word(record: Mapping[str, object]) -> str | None:
    """Return the verdict, unless the decision is another than that looks like; None for one of several to combine.

    The words are `undersize`, `in-limits`, `oversize`, `not-judged`, `undecided`, and `accepted` for what lies
    outside and is accepted by a guarded rejection all the same.
    """
    verdict, decision = record.get("verdict"), record.get("decision")
    if decision == "undecided":
        return "undecided"
    if decision == "accept" and verdict in ("undersize", "oversize"):
        return "accepted"
    return None if verdict is None else str(verdict)
