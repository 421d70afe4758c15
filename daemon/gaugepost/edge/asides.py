"""What was set aside and what people did about it: hand records over again, or skip them, with who, when and why.

Kept in the database of the cursors, beside the far side's answers. The records themselves stay in the journal.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from gaugepost.core.errors import CommandRefused
from gaugepost.core.publication import record_id
from gaugepost.edge.cursors import Cursors

TRIES_KEPT = 100
"""Commands to try at once that are kept for each destination: they name no records, and a script may give many."""

What = Literal["try", "again", "skip"]


@dataclass(frozen=True, slots=True)
class By:
    """Who commands something, when (UTC, ms) and why."""

    at_ms: int
    operator: str | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Counts:
    """How many records of one epoch a destination has set aside."""

    refused: int = 0
    """Those it would never take and nobody skipped, those included that are to be handed over again."""
    skipped: int = 0
    again: int = 0
    """Those that are to be handed over again."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """A record that a destination would never take, or that a person skipped, with the far side's last answer."""

    destination: str
    epoch: str
    sequence: int
    answer: str
    """Empty where it was skipped before any answer."""
    at_ms: int
    """When it was answered or, without an answer, skipped (UTC)."""
    again: bool = False
    """Whether it is to be handed over again."""
    skipped: By | None = None

    @property
    def id(self) -> str:
        """The record's lasting id."""
        return record_id(self.epoch, self.sequence)


@dataclass(frozen=True, slots=True)
class Command:
    """A command that was given: to try at once, to hand records over again, or to skip them."""

    what: What
    epoch: str
    sequences: tuple[int, ...]
    by: By


class Asides:
    """The records set aside in a database of cursors. Every method raises `Unreachable` as `Cursors` does."""

    def __init__(self, cursors: Cursors) -> None:
        self._cursors = cursors

    def counts(self, destination: str, epoch: str) -> Counts:
        """Return how many records are set aside."""
        with self._cursors.transaction() as db:
            return _counts(db, destination, epoch)

    def listed(self, destination: str, *, skipped: bool = False, limit: int = 100) -> list[SetAside]:
        """Return the latest records set aside, or the latest skipped, newest first, of every epoch."""
        with self._cursors.transaction() as db:
            rows = db.execute(
                "SELECT a.destination, a.epoch, a.sequence, a.answer, a.at_ms, a.again IS NOT NULL, "
                "c.at_ms, c.operator, c.reason FROM aside AS a LEFT JOIN command AS c ON c.number = a.skipped "
                "WHERE a.destination = ? AND (a.skipped IS NOT NULL) = ? "
                "ORDER BY coalesce(c.at_ms, a.at_ms) DESC, a.sequence DESC LIMIT ?",
                (destination, skipped, limit),
            ).fetchall()
        return [_set_aside(*row) for row in rows]

    def commands(self, destination: str, limit: int = 100) -> list[Command]:
        """Return the latest commands, newest first."""
        with self._cursors.transaction() as db:
            rows = db.execute(
                "SELECT what, epoch, sequences, at_ms, operator, reason FROM command WHERE destination = ? "
                "ORDER BY number DESC LIMIT ?",
                (destination, limit),
            ).fetchall()
        return [Command(what, epoch, _numbers(text), By(*by)) for what, epoch, text, *by in rows]

    def tried(self, destination: str, epoch: str, by: By) -> None:
        """Keep that somebody wanted it tried at once."""
        with self._cursors.transaction() as db:
            _said(db, destination, epoch, "try", (), by)
            db.execute(
                "DELETE FROM command WHERE destination = ?1 AND what = 'try' AND number <= "
                "(SELECT number FROM command WHERE destination = ?1 AND what = 'try' "
                "ORDER BY number DESC LIMIT 1 OFFSET ?2)",
                (destination, TRIES_KEPT),
            )

    def ask_again(self, destination: str, epoch: str, sequences: Sequence[int] | None, by: By) -> int:
        """Have these records, or all that were refused, handed over again; return how many.

        Raises:
            CommandRefused: one of them is not set aside, or there is none; then nothing is changed.
        """
        with self._cursors.transaction() as db:
            known = _rows(db, destination, epoch)
            wanted = sorted(known if sequences is None else set(sequences))
            for sequence in wanted:
                if sequence not in known:
                    raise _not_aside(destination, epoch, sequence)
            if sequences is not None and (gone := [one for one in wanted if known[one][1] is not None]):
                raise CommandRefused(
                    f"{record_id(epoch, gone[0])} was skipped",
                    hint="what was skipped stays skipped; `gaugepost export` gives it by hand",
                )
            fresh = [one for one in wanted if known[one] == (None, None)]
            if not wanted or (sequences is None and not fresh):
                raise CommandRefused(
                    f"{destination} has nothing set aside that is not on its way",
                    hint="there is nothing to do",
                )
            number = _said(db, destination, epoch, "again", wanted if sequences else fresh, by)
            db.executemany(
                "UPDATE aside SET again = ? WHERE destination = ? AND epoch = ? AND sequence = ?",
                [(number, destination, epoch, sequence) for sequence in fresh],
            )
        return len(wanted if sequences else fresh)

    def again(self, destination: str, epoch: str, limit: int) -> tuple[int, list[int]] | None:
        """Return up to `limit` sequences that are to be handed over again, ascending, and their command's number.

        The same ones are returned until they are answered, whatever is commanded meanwhile, except that a skip of one
        of them gives the others the skip's number.
        """
        with self._cursors.transaction() as db:
            rows = db.execute(
                "SELECT again, sequence FROM aside WHERE destination = ?1 AND epoch = ?2 AND again = "
                "(SELECT min(again) FROM aside WHERE destination = ?1 AND epoch = ?2) ORDER BY sequence LIMIT ?3",
                (destination, epoch, limit),
            ).fetchall()
        return (rows[0][0], [sequence for _, sequence in rows]) if rows else None

    def answered(
        self,
        destination: str,
        epoch: str,
        sequences: Sequence[int],
        refused: Sequence[tuple[int, str]],
        at_ms: int,
    ) -> Counts:
        """Take `sequences` off the list except those `refused` once more, whose new answers are kept."""
        answers = dict(refused)
        key = (destination, epoch)
        with self._cursors.transaction() as db:
            db.executemany(
                "DELETE FROM aside WHERE destination = ? AND epoch = ? AND sequence = ?",
                [(*key, sequence) for sequence in sequences if sequence not in answers],
            )
            db.executemany(
                "UPDATE aside SET again = NULL, answer = ?, at_ms = ? "
                "WHERE destination = ? AND epoch = ? AND sequence = ?",
                [(answer, at_ms, *key, sequence) for sequence, answer in answers.items()],
            )
            return _counts(db, destination, epoch)

    def skip(
        self, destination: str, epoch: str, sequences: Sequence[int], under_way: frozenset[int], by: By
    ) -> bool:
        """Skip records that are set aside or in the batch `under_way`; return whether that batch was one of them.

        A batch that loses a record is no longer the one that was begun: its boundaries are forgotten.

        Raises:
            CommandRefused: one of them is neither, or was skipped already; then nothing is changed.
        """
        with self._cursors.transaction() as db:
            known = _rows(db, destination, epoch)
            for sequence in sequences:
                if sequence not in known and sequence not in under_way:
                    raise _not_aside(destination, epoch, sequence)
                if sequence in known and known[sequence][1] is not None:
                    raise CommandRefused(
                        f"{record_id(epoch, sequence)} was skipped before",
                        hint="leave it out, and say it again",
                    )
            number = _said(db, destination, epoch, "skip", sorted(set(sequences)), by)
            touched = {known[one][0] for one in sequences if one in known} - {None}
            db.executemany(
                "INSERT INTO aside VALUES (?, ?, ?, '', ?, NULL, ?) "
                "ON CONFLICT DO UPDATE SET skipped = excluded.skipped, again = NULL",
                [(destination, epoch, sequence, by.at_ms, number) for sequence in set(sequences)],
            )
            # What is left of a batch that was to come again gets a key of its own, by this command's number.
            db.executemany(
                "UPDATE aside SET again = ? WHERE destination = ? AND epoch = ? AND again = ?",
                [(number, destination, epoch, old) for old in touched],
            )
            cut = not under_way.isdisjoint(sequences)
            if cut:
                db.execute(
                    "UPDATE cursor SET first = NULL, last = NULL, key = NULL, kinds = NULL "
                    "WHERE destination = ? AND epoch = ?",
                    (destination, epoch),
                )
        return cut

    def left_out(self, destination: str, epoch: str, after: int) -> dict[int, int]:
        """Return the skipped sequences above `after` with the numbers of the commands that skipped them."""
        with self._cursors.transaction() as db:
            return dict(
                db.execute(
                    "SELECT sequence, skipped FROM aside "
                    "WHERE destination = ? AND epoch = ? AND sequence > ? AND skipped IS NOT NULL",
                    (destination, epoch, after),
                ).fetchall()
            )


def _set_aside(
    destination: str, epoch: str, sequence: int, answer: str, at_ms: int, again: int, *by: Any
) -> SetAside:
    skipped = By(*by) if by[0] is not None else None
    return SetAside(destination, epoch, sequence, answer, at_ms, bool(again), skipped)


def _rows(db: sqlite3.Connection, destination: str, epoch: str) -> dict[int, tuple[int | None, int | None]]:
    """Return every sequence set aside with the numbers of the commands that want it again and that skipped it."""
    rows = db.execute(
        "SELECT sequence, again, skipped FROM aside WHERE destination = ? AND epoch = ?", (destination, epoch)
    )
    return {sequence: (again, skipped) for sequence, again, skipped in rows}


def _counts(db: sqlite3.Connection, destination: str, epoch: str) -> Counts:
    row = db.execute(
        "SELECT count(*) FILTER (WHERE skipped IS NULL), count(skipped), count(again) FROM aside "
        "WHERE destination = ? AND epoch = ?",
        (destination, epoch),
    ).fetchone()
    return Counts(*row)


def _said(
    db: sqlite3.Connection, destination: str, epoch: str, what: What, sequences: Sequence[int], by: By
) -> int:
    done = db.execute(
        "INSERT INTO command (destination, epoch, what, sequences, operator, reason, at_ms) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        (destination, epoch, what, " ".join(map(str, sequences)), by.operator, by.reason, by.at_ms),
    )
    assert done.lastrowid is not None
    return done.lastrowid


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(word) for word in text.split())


def _not_aside(destination: str, epoch: str, sequence: int) -> CommandRefused:
    return CommandRefused(
        f"{record_id(epoch, sequence)} is not set aside by {destination}",
        hint=f"`gaugepost deliveries show {destination}` lists what is, and the batch that is under way",
    )
