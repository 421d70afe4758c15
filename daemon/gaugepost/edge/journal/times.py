"""When records were measured, a thousand at a time, so that a period's first and last record are found at once.

Sequences follow time but for jumps of the wall clock, so the index of times alone would have to be read for as long as
the period lasts. Each row of the table here has the earliest and the latest time of the records after the row before,
up to its `last`. Records never change, so a row stays true for good; the table is disposable, and programs that don't
know it pass it by: what no row reaches is looked for among the records.
"""

from __future__ import annotations

import sqlite3

EACH = 1000
"""Records in a row of the table, at least."""
MOST_ADDED = 20_000
"""Beyond the table so many are looked through one after the other; more are looked for by the index of times."""
MOST_RANGES = 100
"""Stretches of a journal that are told apart: a clock that is put right so often gains nothing from more."""

_TABLE = """CREATE TABLE IF NOT EXISTS times (
    last INTEGER PRIMARY KEY, earliest INTEGER NOT NULL, latest INTEGER NOT NULL)"""
_FILL = """INSERT INTO times SELECT max(sequence), min(measured_at), max(measured_at) FROM records {by}
    WHERE sequence > :after AND sequence <= :through GROUP BY (sequence - 1 - :after) / :each"""
_BEGINNING, _END = -(1 << 62), 1 << 62

_PARTS = "SELECT last, latest >= :since AND earliest < :until FROM times ORDER BY last"
IN_PART = """SELECT min(sequence), max(sequence) FROM records
    WHERE sequence > :first AND sequence <= :last AND +measured_at >= :since AND +measured_at < :until"""
BY_INDEX = """SELECT min(sequence), max(sequence) FROM records
    WHERE +sequence > :first AND +sequence <= :last AND measured_at >= :since AND measured_at < :until"""
_WRONG = """SELECT parts.last FROM
    (SELECT last, lag(last, 1, 0) OVER (ORDER BY last) AS before, earliest, latest FROM times) AS parts
    WHERE EXISTS (SELECT 1 FROM records WHERE sequence > parts.before AND sequence <= parts.last
        AND (+measured_at < parts.earliest OR +measured_at > parts.latest)) LIMIT 1"""


def prepare(db: sqlite3.Connection, head: int) -> int:
    """Make the table where there is none, with what it lacks up to `head`; return the sequence that it reaches to.

    Of ten million records of an earlier program that takes some seconds, once.
    """
    db.execute(_TABLE)
    return extend(db, reach(db), head)


def extend(db: sqlite3.Connection, after: int, through: int) -> int:
    """Add rows for the records beyond `after` up to `through`, where they fill one; return the sequence reached."""
    through -= (through - after) % EACH
    if through <= after:
        return after
    by = "INDEXED BY records_time" if through - after > MOST_ADDED else "NOT INDEXED"
    db.execute(_FILL.format(by=by), {"after": after, "through": through, "each": EACH})
    return reach(db)


def reach(db: sqlite3.Connection) -> int:
    """Return the last sequence that the table tells of, 0 where there is none."""
    (last,) = db.execute("SELECT coalesce(max(last), 0) FROM times").fetchone() if _is_there(db) else (0,)
    return int(last)


def ranges(db: sqlite3.Connection, since_ms: int | None, until_ms: int | None) -> list[tuple[int, int]]:
    """Return where all of a period's records are, ascending: sequences beyond the first of a pair up to its second.

    Where the clock was put right that is more than one stretch. There are others among them, at their ends above all.
    """
    found: list[tuple[int, int]] = []
    for after, through in _parts(db, _period(since_ms, until_ms)):
        if found and (found[-1][1] == after or len(found) == MOST_RANGES):
            found[-1] = (found[-1][0], through)
        else:
            found.append((after, through))
    return found


def span(db: sqlite3.Connection, since_ms: int | None, until_ms: int | None) -> tuple[int, int]:
    """Return the first and the last sequence of what was measured in a period, (1, 0) where nothing was.

    Where the period has no end, the last is the journal's.
    """
    period = _period(since_ms, until_ms)
    parts = _parts(db, period)
    # Times of a part may lie on either side of the period, and what was archived is gone: then the next has it.
    firsts = (_ends(db, IN_PART, period, *part)[0] for part in parts)
    first = next((each for each in firsts if each is not None), None)
    if first is None:
        return 1, 0
    if until_ms is None:
        return first, _head(db)
    lasts = (_ends(db, IN_PART, period, *part)[1] for part in reversed(parts))
    return first, next(each for each in lasts if each is not None)


def wrong(db: sqlite3.Connection) -> int | None:
    """Return the end of a part whose records were measured at other times than the table says; None where all fit."""
    found = db.execute(_WRONG).fetchone() if reach(db) else None
    return None if found is None else int(found[0])


def _parts(db: sqlite3.Connection, period: dict[str, int]) -> list[tuple[int, int]]:
    """Return where the period's records are, row by row of the table, and what is beyond the table."""
    known, found, head = 0, [], _head(db)
    for last, fits in db.execute(_PARTS, period) if _is_there(db) else ():
        if fits:
            found.append((known, last))
        known = last
    if head - known > MOST_ADDED:
        first, last = _ends(db, BY_INDEX, period, known, head)
        found += [] if first is None or last is None else [(first - 1, last)]
    elif head > known:
        found.append((known, head))
    return found


def _period(since_ms: int | None, until_ms: int | None) -> dict[str, int]:
    return {
        "since": _BEGINNING if since_ms is None else since_ms,
        "until": _END if until_ms is None else until_ms,
    }


def _head(db: sqlite3.Connection) -> int:
    (head,) = db.execute("SELECT coalesce(max(sequence), 0) FROM records").fetchone()
    return int(head)


def _is_there(db: sqlite3.Connection) -> bool:
    (has,) = db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'times'").fetchone()
    return bool(has)


def _ends(
    db: sqlite3.Connection, query: str, period: dict[str, int], after: int, through: int
) -> tuple[int | None, int | None]:
    first, last = db.execute(query, {**period, "first": after, "last": through}).fetchone()
    return first, last
