"""Follows a mastering or a check to its end, reading by reading, as the service records them."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from decimal import Decimal

from gaugepost.commands.talk import Document, Service

WAIT_S = 20.0
KINDS = [
    "mastering-begun", "master-reading", "mastering", "check-begun", "check", "abandoned", "reading", "suppressed",
    "bad-frame", "condition", "link", "report", "scan", "set-up", "stop",
]  # fmt: skip


def follow(service: Service, gauge: str, link: str, after: int) -> int:
    """Print what comes of the procedure that was begun with `gauge` after the record `after`; return the exit code.

    0 where it was accepted or passed, 1 where it was refused, failed, or ended without an outcome.
    """
    begun = False
    wanted = 0
    try:
        for record in _records(service, after):
            kind, own = record["kind"], record.get("gauge") == gauge
            if not begun:
                begun = own and kind in ("mastering-begun", "check-begun")
                wanted = _total(record) if begun else 0
                continue
            said, code = _told(record, wanted, own=own, over_link=record.get("link") == link)
            if said:
                print(said, flush=True)
            if code is not None:
                return code
    except KeyboardInterrupt:
        print(f"it is still going on; to give it up: gaugepost bench abandon {gauge}", file=sys.stderr)
        raise
    raise AssertionError("the journal came to an end")


def _records(service: Service, after: int) -> Iterator[Document]:
    while True:
        page = service.get("/v1/records", wait_s=WAIT_S, after=after, kind=KINDS, limit=200)
        yield from page["records"]
        after = page["next"]


def _total(begun: Document) -> int:
    moved = 1 if begun.get("code") in ("larger", "smaller") else 0
    masters: str = begun["master"]
    return int(begun["count"]) * len(masters.split("+")) + moved


def _told(record: Document, wanted: int, *, own: bool, over_link: bool) -> tuple[str, int | None]:
    """Return what to print about a record, and the exit code where it ends the procedure."""
    kind, said, code = record["kind"], "", None
    if kind == "stop":
        said, code = "the service ended; begin again when it runs", 1
    elif kind == "set-up":
        said, code = "the station file changed; begin again", 1
    elif kind == "link" and over_link and record["code"] == "lost":
        said, code = (
            f"the link {record['link']} was lost ({record.get('text', '')}); connect it, then begin again",
            1,
        )
    elif own and kind in _ENDS:
        said, code = _ended(record)
    elif own and kind == "master-reading":
        shown = f"{record['indication']} {record['indication_unit']}"
        said = f"{record['master']}: reading {record['count']} of {wanted}: {shown}"
    elif kind == "scan" and (own or "gauge" not in record):
        said = f"{'scanned' if record['code'] == 'taken' else 'not taken'}: {record['text']}"
    elif own and kind == "report" and "contact_set" in record:
        said, code = f"{record['text']}; begin again", 1
    elif own and kind == "reading":
        said = f"not taken: {record['indication']}: {'; '.join(record.get('reasons', []))}"
    elif own and kind in ("suppressed", "bad-frame", "condition"):
        said = f"not taken: {record.get('text', kind)}"
    return said, code


_ENDS = frozenset({"mastering", "check", "abandoned"})


def _ended(record: Document) -> tuple[str, int]:
    reasons = "".join(f"\n  {reason}" for reason in record.get("reasons", []))
    if record["kind"] == "abandoned":
        return str(record["text"]), 1
    spread = f"spread {_short(record['spread_mm'])} mm"
    if record["code"] == "accepted":
        return f"accepted: mastered on {record['master']}, {spread}; check it before its first verdict", 0
    if record["code"] == "passed":
        off, allowed = _short(record["error_mm"]), _short(record["limit_mm"])
        return f"passed: off by {off} mm, {allowed} mm is allowed, {spread}", 0
    return f"{record['code']}: {record['kind']} on {record['master']}, {spread}{reasons}", 1


def _short(digits: str) -> str:
    """Return the same number without zeros at its end."""
    return format(Decimal(digits).normalize(), "f")
