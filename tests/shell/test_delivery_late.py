"""Records of late and records read ahead: nobody waits for the disk for them, and no promise hangs on them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.errors import JournalError
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.asides import By
from gaugepost.edge.cursors import Cursors
from gaugepost.shell.growth import KEPT, Growth
from tests.shell.test_delivery import EPOCH, Bench, Far, running, until


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with closing(Cursors(tmp_path / "deliveries.db", first_start=True)) as cursors:
        yield Bench(tmp_path, cursors)


def entries(first: int, last: int) -> list[Entry]:
    return [
        Entry(number, bytes(32), Record(kind=Kind.READING, measured_at=number, clock_ms=0))
        for number in range(first, last + 1)
    ]


def test_what_is_kept_of_late_has_no_gaps() -> None:
    """The last records are kept in order; whoever is further behind, or behind a gap, is sent to the journal."""
    growth = Growth(3)
    assert growth.late(3, 10) is None
    growth.grow(5, entries(4, 5))
    growth.grow(6, entries(6, 6))
    assert [late.entry.sequence for late in growth.late(3, 2) or ()] == [4, 5]
    assert growth.late(6, 10) == []
    assert growth.late(2, 10) is None
    growth.grow(7)
    assert growth.late(6, 10) is None
    growth.grow(9, entries(9, 9))
    assert growth.late(7, 10) is None
    growth.grow(9 + 2 * KEPT, entries(10, 9 + 2 * KEPT))
    assert growth.late(9 + KEPT - 1, 1) is None
    assert [late.entry.sequence for late in growth.late(9 + KEPT, 1) or ()] == [10 + KEPT]


@pytest.mark.asyncio
async def test_deliveries_share_the_records_of_late(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was recorded just now is read and published once for all, each gets the kinds it wants, in order."""
    all_, checks = Far(), Far()
    deliveries = bench.delivery(all_), bench.delivery(checks, "quality", [Kind.CHECK])
    async with running(*deliveries):
        await until(lambda: all_.opened + checks.opened == 2)

        def unread(*_: Any, **__: Any) -> list[Entry]:
            raise AssertionError("the journal was read")

        monkeypatch.setattr(bench.journal, "entries", unread)
        for last in (700, 1400):
            bench.journal.add(700, known=True)
            await until(lambda: all(delivery.status().through == last for delivery in deliveries))  # noqa: B023
    assert all_.held == list(range(1, 1401))
    assert checks.held == list(range(3, 1401, 3))


@pytest.mark.asyncio
async def test_the_next_batch_is_read_while_one_is_on_its_way(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the far side deals with a batch the next one is read, once; its boundaries are kept when its turn comes."""
    far, source = Far(), bench.journal.entries
    read: list[int] = []

    def noting(after: int, *args: Any, **more: Any) -> list[Entry]:
        read.append(after)
        return source(after, *args, **more)

    monkeypatch.setattr(bench.journal, "entries", noting)
    far.gate.clear()
    bench.journal.add(1200)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: read == [0, 500])
        pending = bench.cursors.cursor("charts", EPOCH, start="beginning", head=1200).pending
        assert pending is not None
        assert (pending.first, pending.last) == (1, 500)
        far.gate.set()
        await until(lambda: delivery.status().lag == 0)
    assert [(held[0], held[-1]) for held, _ in far.batches] == [(1, 500), (501, 1000), (1001, 1200)]
    assert read.count(500) == 1


@pytest.mark.asyncio
async def test_what_is_settled_is_kept_though_the_journal_fails(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A journal that can't be read any more does not have sent again what the far side holds."""
    far, source = Far(), bench.journal.entries
    bench.journal.add(700)

    def failing(after: int, *args: Any, **more: Any) -> list[Entry]:
        if after >= 500:
            raise JournalError("a bad block", hint="restore a backup")
        return source(after, *args, **more)

    monkeypatch.setattr(bench.journal, "entries", failing)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "unreachable")
        assert bench.cursors.cursor("charts", EPOCH, start="beginning", head=700).through == 500
        monkeypatch.setattr(bench.journal, "entries", source)
        await delivery.retry(By(7000))
        await until(lambda: delivery.status().lag == 0)
    assert far.held == list(range(1, 701))
