"""An outlook and its evidence for programs: all that the terminal shows, in words of JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from gaugepost.contract import Chunk
from gaugepost.contract.teaching import Evidence
from gaugepost.teach.outlook import Candidates, Outlook, Proposal, Shown


def as_json(outlook: Outlook, evidence: Evidence) -> dict[str, Any]:
    """Return how things stand: places of bytes count from 0, measurements from 1; what is not there is null."""
    found = outlook.accepted
    return {
        "decided": found is not None,
        "reason": outlook.reason or None,
        "description": {"kind": found.kind, **found.settings} if found else None,
        "channel": found.channel if found else None,
        "leading": _leading(outlook.leading) if outlook.leading else None,
        "candidates": outlook.candidates,
        "rivals": [_rival(one) for one in outlook.classes[1:]],
        "tried": outlook.tried,
        "evidence": [_shown(one) for one in outlook.shown],
        "conflict": _conflict(outlook),
        "next": [
            {"measure": ask.ask.value, "why": ask.why, "needed": ask.needed}
            for ask in outlook.next_measurements
        ],
        "measured": [
            {"shows": str(one.typed), "came": came(one.chunks), "before": came(one.before)}
            for one in evidence.samples
        ],
        "after": came(evidence.after),
        "tells": dict(evidence.tells),
        "never": sorted(ask.value for ask in evidence.never),
        "request": evidence.request or None,
    }


def as_texts(found: Proposal, name: str) -> tuple[str, str]:
    """Return the texts of the description's file and of its capture, for a gauge called `name`."""
    count = sum(bool(one.shows) for one in found.frames)
    what = f"Taught to gaugepost from {count} measurement{'' if count == 1 else 's'}."
    return found.description(what), found.capture(f"Gauge {name}.", "Captured while it was taught.")


def as_document(outlook: Outlook, evidence: Evidence, name: str = "") -> dict[str, Any]:
    """Return how things stand with the texts of both files, null before it is decided, of a gauge called `name`."""
    texts = as_texts(outlook.accepted, name or "unnamed") if outlook.accepted else (None, None)
    files = dict(zip(("description_file", "capture_file"), texts, strict=True))
    return {**as_json(outlook, evidence), **files}


def came(chunks: Sequence[Chunk]) -> list[dict[str, Any]]:
    """Return chunks with their bytes as hexadecimal digits and as characters."""
    return [
        {
            "at_ms": chunk.arrived.clock_ms,
            "channel": chunk.channel,
            "hex": chunk.data.hex(" ").upper(),
            "text": characters(chunk.data),
            "packet": chunk.complete,
        }
        for chunk in chunks
    ]


def characters(data: bytes) -> str:
    r"""Return bytes as a person may read them: what is no character of ASCII stands as \r, \n, \t or ·."""
    named = {0x0D: r"\r", 0x0A: r"\n", 0x09: r"\t"}
    return "".join(named.get(byte) or (chr(byte) if 32 <= byte < 127 else "·") for byte in data)


def _leading(one: Proposal) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "settings": dict(one.settings),
        "channel": one.channel,
        "bits": round(one.bits, 1),
        "needed_bits": round(one.needed_bits, 1),
        "cautions": list(one.cautions),
    }


def _rival(one: Candidates) -> dict[str, Any]:
    return {"count": one.count, "kind": one.kind, "settings": dict(one.settings), "says": one.reads}


def _shown(one: Shown) -> dict[str, Any]:
    return {
        "measurement": one.sample,
        "shows": one.typed,
        "reads": one.reads,
        "hex": one.frame.hex(" ").upper(),
        "text": characters(one.frame),
        "number": list(one.number),
        "unit": list(one.unit),
    }


def _conflict(outlook: Outlook) -> dict[str, Any] | None:
    one = outlook.conflict
    if one is None:
        return None
    return {
        "measurement": one.sample,
        "shows": one.typed,
        "agree": list(one.agree),
        "reads": one.reads or None,
        "says": str(one),
    }
