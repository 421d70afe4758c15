"""What a journal goes on from where its records before are in archives: for whoever writes such a journal anew."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.core.record import Kind
from gaugepost.edge.journal import schema
from gaugepost.edge.journal.codec import decode


@dataclass(frozen=True, slots=True)
class Before:
    """What stands in a journal for its archived records."""

    station: str
    epoch: str
    """Epoch of the last of them."""
    last: int
    hash: bytes
    rows: tuple[tuple[object, ...], ...]
    """The rows of the table `archived`."""
    earlier: tuple[tuple[int, str], ...]
    """Epochs that had ended before."""
    set_up: tuple[int, bytes, bytes] | None
    """Sequence, hash and body of the set-up in force, which is kept."""


def what_is_before(path: Path) -> Before | None:
    """Return what the journal at `path` says of archives; None where it has none, or is too damaged to say so.

    Nothing is written beside it, so the file alone is asked: an archive that only its log knows of has cleared nothing.
    """
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?immutable=1", uri=True)) as db:
            identity = schema.identify(db, path)
            if not identity.archived:
                return None
            last, epoch = identity.archived[-1], identity.epoch
            rows = tuple(db.execute("SELECT * FROM archived ORDER BY last"))
            kept = db.execute(
                "SELECT sequence, hash, body FROM records WHERE sequence <= ? ORDER BY sequence DESC LIMIT 1",
                (last.last,),
            ).fetchone()
            if kept is not None and decode(kept[2]).kind is not Kind.SET_UP:
                kept = None
    except (JournalError, *schema.FAULTS):
        return None
    earlier = tuple(each for each in epoch.earlier if each[0] < last.last)
    return Before(identity.station, epoch.of(last.last), last.last, last.hash, rows, earlier, kept)


def put_before(db: sqlite3.Connection, before: Before) -> None:
    """Have a new journal go on from `before`, within a transaction that is open."""
    schema.grown_to(db, schema.LAYOUT)
    db.executemany("INSERT INTO archived VALUES (?, ?, ?, ?, ?, ?, ?, ?)", before.rows)
