"""The views over a restore or a salvage: the journal that goes on is one with the one before, up to where it does."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from gaugepost.contract import Publication
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind, Record
from tests.contract.postgres_bench import Store, server as server, store as store

pytestmark = pytest.mark.asyncio

BEGIN_MS = 1_760_000_000_000
EPOCHS = (
    "5f0c6d3e-1111-4f0f-9d51-8a3f3a2f7c11",
    "5f0c6d3e-2222-4f0f-9d51-8a3f3a2f7c12",
    "5f0c6d3e-3333-4f0f-9d51-8a3f3a2f7c13",
)


def measured(
    journal: str, sequence: int, piece: str, attempt: int, kind: Kind = Kind.READING, **more: Any
) -> Publication:
    """Return what was measured of a piece; `replaces` is an id."""
    replaces = more.pop("replaces", None)
    at: dict[str, Any] = {"measured_at": BEGIN_MS + sequence * 1000, "clock_ms": sequence, "gauge": "g0"}
    told: dict[str, Any] = {
        "value_mm": Decimal(38),
        "verdict": "in-limits",
        "characteristic": "A",
        "piece": piece,
        "attempt": attempt,
    }
    made = publish(Entry(sequence, bytes(32), Record(kind=kind, **at, **told, **more)), journal, "bench 1")
    return {**made, "replaces": replaces} if replaces else dict(made)


def went_on(before: str, after: str, sequence: int) -> Publication:
    """Return the record that says that one epoch goes on from another."""
    span: dict[str, Any] = {"first": 1, "last": sequence - 1, "count": sequence - 1}
    at: dict[str, Any] = {"measured_at": BEGIN_MS + sequence * 1000, "clock_ms": sequence}
    record = Record(kind=Kind.SALVAGE, epoch=after, epoch_before=before, **span, **at)
    return publish(Entry(sequence, bytes(32), record), after, "bench 1")


async def test_a_salvaged_journal_is_one_with_the_one_before(store: Store) -> None:
    """A check that fails after a salvage puts in doubt what was measured before it, under the epoch of that time.

    Records that the old journal held beyond what was salvaged are another matter: their numbers were used again.
    """
    old, new, newest = EPOCHS

    def of(sequence: int, journal: str, kind: Kind = Kind.READING, **fields: Any) -> Publication:
        at: dict[str, Any] = {"measured_at": BEGIN_MS + sequence * 1000, "clock_ms": sequence}
        value: dict[str, Any] = (
            {"value_mm": Decimal(38), "verdict": "in-limits"} if kind is Kind.READING else {}
        )
        return publish(
            Entry(sequence, bytes(32), Record(kind=kind, **at, **value, **fields)), journal, "bench 1"
        )

    before = [of(sequence, old, gauge="g0") for sequence in range(1, 21)]
    salvage = of(16, new, Kind.SALVAGE, epoch=new, epoch_before=old, first=1, last=15, count=15)
    again = of(20, newest, Kind.SALVAGE, epoch=newest, epoch_before=new, first=1, last=19, count=19)
    after = [of(sequence, new, gauge="g0") for sequence in range(17, 20)]
    late = [of(21, newest, gauge="g0"), of(22, newest, Kind.SUSPECT, gauge="g0", first=10, last=21)]
    async with store.opened() as postgres:
        for batch in (before, [salvage, *after], [again, *late]):
            await postgres.deliver(batch, "key")
    found = {row[0] for row in store.ask("SELECT id FROM {}.suspect_list")}
    assert found == {
        *(f"{old}-{sequence}" for sequence in range(10, 16)),
        *(f"{new}-{sequence}" for sequence in (17, 18, 19)),
        f"{newest}-21",
    }
    lost = store.ask("SELECT id FROM {}.last_results WHERE left_behind")
    assert {row[0] for row in lost} == {f"{old}-{sequence}" for sequence in range(16, 21)}


async def test_what_is_measured_after_a_restore_counts_over_what_the_restore_left_behind(
    store: Store,
) -> None:
    """Attempts were counted on from the backup: attempt 2 of the journal in force is later than its lost attempt 3.

    What nobody measured again still counts, and of what the journal goes on from the attempts are compared.
    """
    old, new, newest = EPOCHS
    before = [measured(old, n, str(n), 1) for n in range(1, 7)]
    before += [measured(old, 7, "6", 2), measured(old, 8, "8", 1)]
    lost = [measured(old, 8 + n, str(n), attempt) for n in (1, 2, 3, 4, 5) for attempt in (2, 3)]
    lost = [{**each, "id": f"{old}-{number}", "sequence": number} for number, each in enumerate(lost, 9)]
    again = [
        measured(new, 10, "1", 2),
        measured(new, 11, "9", 1),
        measured(new, 12, "3", 1, Kind.REJUDGED, code="reading", replaces=f"{old}-3"),
        measured(new, 13, "4", 2, Kind.AMENDMENT, replaces=f"{old}-8"),
        measured(new, 14, "5", 2, Kind.AMENDMENT, replaces=f"{new}-11"),
        measured(new, 15, "5", 2, Kind.REJUDGED, code="reading", replaces=f"{new}-14"),
        measured(new, 16, "6", 1, Kind.REJUDGED, code="reading", replaces=f"{old}-6"),
    ]

    def last() -> dict[str, str]:
        return dict(store.ask("SELECT piece, id FROM {}.last_results"))

    async with store.opened() as postgres:
        await postgres.deliver([*before, *lost], "key")
        await postgres.deliver([went_on(old, new, 9), *again], "again")
        found = {"1": f"{new}-10", "4": f"{new}-13", "5": f"{new}-15", "6": f"{old}-7"}
        found |= {"2": f"{old}-12", "3": f"{old}-14"}  # lost, and not measured again
        assert last() == found
        # Once more to the same backup: the journals that go on from it know nothing of each other.
        await postgres.deliver([went_on(old, newest, 9), measured(newest, 10, "1", 2)], "once more")
        await postgres.deliver([measured(newest, 11, "4", 1)], "and more")
        assert last() == {**found, "1": f"{newest}-10", "4": f"{newest}-11"}


async def test_what_a_restore_left_behind_is_told_and_takes_no_doubt_away(store: Store) -> None:
    """The gauge that measured it is the one in doubt, and no check will say so: the piece is to be measured again."""
    old, new, newest = EPOCHS
    doubt = Record(kind=Kind.SUSPECT, measured_at=BEGIN_MS, clock_ms=9, gauge="g0", first=1, last=8)
    pieces = [measured(old, n, str(n), 1) for n in (1, 2, 3)]
    async with store.opened() as postgres:
        await postgres.deliver([*pieces, measured(old, 4, "1", 2), measured(old, 5, "2", 2)], "key")
        assert store.ask("SELECT id FROM {}.last_results WHERE left_behind") == []
        await postgres.deliver([went_on(old, new, 4), measured(new, 5, "3", 2)], "again")
        found = store.ask("SELECT id FROM {}.last_results WHERE left_behind ORDER BY id")
        assert found == [(f"{old}-4",), (f"{old}-5",)]
        await postgres.deliver([went_on(old, newest, 4), measured(newest, 5, "2", 2)], "once more")
        found = store.ask("SELECT id FROM {}.last_results WHERE left_behind ORDER BY id")
        assert found == [(f"{old}-4",), (f"{new}-5",)]
        await postgres.deliver([publish(Entry(9, bytes(32), doubt), newest, "bench 1")], "doubt")
        await postgres.deliver([measured(newest, 10, "2", 3)], "measured again")
    asked = "SELECT piece, measured_again FROM {}.suspect_list WHERE attempt = 1 ORDER BY piece"
    assert store.ask(asked) == [("1", False), ("2", True), ("3", False)]


async def test_what_was_set_aside_and_came_after_a_restore_is_no_later_attempt(store: Store) -> None:
    """What the server refused at first is of before the backup, whenever it comes."""
    old, new, _ = EPOCHS
    async with store.opened() as postgres:
        await postgres.deliver([went_on(old, new, 9), measured(new, 10, "1", 2)], "key")
        await postgres.deliver([measured(old, 3, "1", 1)], "again-1")
    assert store.ask("SELECT id FROM {}.last_results") == [(f"{new}-10",)]
