"""Deliveries: in order, at least once, never ahead of the far side, and none in another's way."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Iterable, Iterator, Sequence
from contextlib import asynccontextmanager, closing
from pathlib import Path
from typing import Any, ClassVar

import pytest
from structlog.testing import capture_logs

from gaugepost.contract import AdapterSettings, Outcome, Publication, Refusal, Unreachable
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.asides import Asides
from gaugepost.edge.cursors import Batch, Cursors
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth

EPOCH = "0b9ad0d5-5c6e-4f0f-9d51-8a3f3a2f7c11"
PATIENCE_S = 20.0
"""Bounds a failure; a passing test never waits that long."""


class Journal:
    """A journal in memory, with the reader's face: every third record is a check, the others are readings."""

    epoch = EPOCH
    station = "bench 1"

    def __init__(self, growth: Growth) -> None:
        self.records: list[Entry] = []
        self.growth = growth

    def add(self, count: int, *, known: bool = False) -> None:
        """Record `count` more; `known` are told of as the recorder tells of them, with the growth."""
        before = len(self.records)
        for sequence in range(len(self.records) + 1, len(self.records) + 1 + count):
            kind = Kind.CHECK if sequence % 3 == 0 else Kind.READING
            self.records.append(
                Entry(sequence, bytes(32), Record(kind=kind, measured_at=sequence, clock_ms=0))
            )
        self.growth.grow(len(self.records), self.records[before:] if known else ())

    def head(self) -> tuple[int, bytes]:
        return len(self.records), bytes(32)

    def entry(self, sequence: int) -> Entry | None:
        return self.records[sequence - 1]

    def entries(
        self, after: int, limit: int, *, kinds: Iterable[str] | None = None, since_ms: int | None = None
    ) -> list[Entry]:
        wanted = None if kinds is None else set(kinds)
        found = (
            e
            for e in self.records[after:]
            if (wanted is None or e.record.kind in wanted) and e.record.measured_at >= (since_ms or 0)
        )
        return [e for e, _ in zip(found, range(limit), strict=False)]


class Far:
    """A destination that keeps what it gets and whose next answers can be ordered."""

    Settings: ClassVar[type[AdapterSettings]] = AdapterSettings

    def __init__(self) -> None:
        self.held: list[int] = []
        self.batches: list[tuple[list[int], str]] = []
        self.answers: Iterator[Callable[[list[int]], Any]] = iter(())
        self.opened = 0
        self.closed = 0
        self.gate = asyncio.Event()
        self.gate.set()

    async def open(self) -> None:
        self.opened += 1

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        sequences = [s for s in (record["sequence"] for record in batch) if isinstance(s, int)]
        self.batches.append((sequences, key))
        await self.gate.wait()
        answer = next(self.answers, None)
        outcome = Outcome(sequences[-1]) if answer is None else answer(sequences)
        if isinstance(outcome, Outcome):
            self.held += [s for s in sequences if s <= outcome.through]
        return outcome

    async def close(self) -> None:
        self.closed += 1


def away(sequences: list[int]) -> Outcome:
    raise Unreachable("nobody answers", hint="plug it in")


class Bench:
    """A journal, cursors and deliveries, put together as the daemon does it."""

    def __init__(self, folder: Path, cursors: Cursors) -> None:
        self.folder = folder
        self.cursors = cursors
        self.growth = Growth()
        self.journal = Journal(self.growth)
        self.clock_ms = 0

    def delivery(
        self, far: Far, name: str = "charts", kinds: Iterable[Kind] | None = None, **more: Any
    ) -> Delivery:
        return Delivery(
            name, far, self.journal, self.cursors, self.growth, kinds,
            kind="far", utc_ms=lambda: self.clock_ms, random=lambda: 0.0, **more,
        )  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with closing(Cursors(tmp_path / "deliveries.db", first_start=True)) as cursors:
        yield Bench(tmp_path, cursors)


@asynccontextmanager
async def running(*deliveries: Delivery) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(delivery.run()) for delivery in deliveries]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        for result in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(result, Exception):
                raise result


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for has no event of its own
            await asyncio.sleep(0.005)


@pytest.mark.asyncio
async def test_everything_arrives_in_order_and_in_batches(bench: Bench) -> None:
    """1,234 records and those that come later are delivered once, in order, in batches of at most 500."""
    far = Far()
    delivery = bench.delivery(far)
    bench.journal.add(1234)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        assert delivery.status().state == "idle"
        bench.journal.add(3)
        await until(lambda: len(far.held) == 1237)
    assert far.held == list(range(1, 1238))
    assert [len(sequences) for sequences, _ in far.batches[:3]] == [500, 500, 234]
    assert len({key for _, key in far.batches}) == len(far.batches)
    assert far.opened == far.closed == 1


@pytest.mark.asyncio
async def test_records_of_no_interest_move_the_cursor(bench: Bench) -> None:
    """Only the kinds asked for are sent; the others count as dealt with, also on the next start."""
    far = Far()
    bench.journal.add(100)
    delivery = bench.delivery(far, kinds=[Kind.CHECK])
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        bench.journal.add(1)
        await until(lambda: delivery.status().through == 101)
    assert far.held == list(range(3, 100, 3))
    assert bench.cursors.cursor("charts", EPOCH, start="beginning", head=0).through == 101


@pytest.mark.asyncio
async def test_boundaries_are_kept_before_a_batch_is_sent(bench: Bench) -> None:
    """While a batch is under way its boundaries are on disk; stopped then, the next start repeats that very batch."""
    far = Far()
    far.gate.clear()
    bench.journal.add(6)
    async with running(bench.delivery(far, kinds=[Kind.READING])):
        await until(lambda: len(far.batches) == 1)
        pending = bench.cursors.cursor("charts", EPOCH, start="beginning", head=0).pending
        assert pending == Batch(1, 5, f"{EPOCH}-1-5", ("reading",))
    bench.journal.add(20)
    far.gate.set()
    # The station file was edited in between: the repeat is still the batch that was begun.
    again = bench.delivery(far, kinds=[Kind.READING, Kind.CHECK])
    async with running(again):
        await until(lambda: again.status().lag == 0)
    assert far.batches[0] == far.batches[1] == ([1, 2, 4, 5], f"{EPOCH}-1-5")
    assert far.held == [1, 2, 4, 5, *range(6, 27)]


@pytest.mark.asyncio
async def test_an_outage_is_waited_out(bench: Bench) -> None:
    """While unreachable nothing is lost, the state says why, and one line is logged for each transition."""
    far = Far()
    far.answers = iter([away, away])
    bench.journal.add(10)
    delivery = bench.delivery(far)
    with capture_logs() as logs:
        async with running(delivery):
            await until(lambda: delivery.status().state == "unreachable")
            bench.clock_ms = 5000
            status = delivery.status()
            assert (status.through, status.lag) == (0, 10)
            assert status.last_error == "nobody answers; plug it in"
            await until(lambda: delivery.status().state == "idle")
    assert delivery.status().since_ms == 5000
    assert [(line["log_level"], line["event"]) for line in logs] == [
        ("warning", "unreachable"),
        ("info", "reachable again"),
    ]
    assert far.batches[0] == far.batches[1] == far.batches[2]
    assert far.held == list(range(1, 11))
    assert far.opened == far.closed == 3


@pytest.mark.asyncio
async def test_a_part_that_is_held_is_not_sent_again(bench: Bench) -> None:
    """Where the far side holds part of a batch, the rest goes out under a key of its own."""
    far = Far()
    far.answers = iter([lambda sequences: Outcome(4)])
    bench.journal.add(10)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
    assert far.batches == [(list(range(1, 11)), f"{EPOCH}-1-10"), (list(range(5, 11)), f"{EPOCH}-5-10")]


@pytest.mark.asyncio
async def test_a_far_side_that_takes_nothing_is_not_pressed(bench: Bench) -> None:
    """An answer without any progress counts as an outage: it is waited out, not repeated at once."""
    far = Far()
    far.answers = iter([lambda sequences: Outcome(0)])
    bench.journal.add(2)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "unreachable")
        assert "none of 2 records was taken" in delivery.status().last_error
        await until(lambda: delivery.status().lag == 0)
    assert far.held == [1, 2]


@pytest.mark.asyncio
async def test_refused_records_are_set_aside_and_shown(bench: Bench) -> None:
    """A record that will never be taken is kept with the answer, and what comes after it goes on."""
    far = Far()
    far.answers = iter([lambda sequences: Outcome(10, [Refusal(f"{EPOCH}-7", "no such lot")])])
    bench.journal.add(10)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        assert delivery.status().counts.refused == 1
    (aside,) = Asides(bench.cursors).listed("charts")
    assert (aside.sequence, aside.answer) == (7, "no such lot")


def crashes(sequences: list[int]) -> Outcome:
    raise KeyError("piece")


def cancels(sequences: list[int]) -> Outcome:
    raise asyncio.CancelledError


BUGS: dict[str, tuple[Callable[[list[int]], Any], str]] = {
    "raises": (crashes, "KeyError: 'piece'"),
    "cancels itself": (cancels, "cancelled from inside"),
    "beyond the batch": (lambda sequences: Outcome(sequences[-1] + 1), "through=11"),
    "before the batch": (lambda sequences: Outcome(-1), "through=-1"),
    "no outcome": (lambda sequences: None, "None"),
    "refuses a stranger": (lambda sequences: Outcome(10, [Refusal("x-1", "?")]), "x-1"),
    "refuses what is to come": (lambda sequences: Outcome(5, [Refusal(f"{EPOCH}-6", "?")]), f"{EPOCH}-6"),
}


@pytest.mark.asyncio
@pytest.mark.parametrize("bug", BUGS)
async def test_a_broken_destination_stops_alone(bench: Bench, bug: str) -> None:
    """An adapter's bug stops its own delivery, visibly and with its cause; the cursor stays and others go on."""
    answer, words = BUGS[bug]
    broken, sound = Far(), Far()
    broken.answers = iter([answer])
    bench.journal.add(10)
    mine, other = bench.delivery(broken, "mine"), bench.delivery(sound, "other")
    with capture_logs() as logs:
        async with running(mine, other):
            await until(lambda: mine.status().state == "broken")
            bench.journal.add(5)
            await until(lambda: other.status().lag == 0)
            assert not await mine.drain(PATIENCE_S)
    assert words in mine.status().last_error
    assert (mine.status().through, mine.status().lag) == (0, 15)
    assert sound.held == list(range(1, 16))
    (line,) = [line for line in logs if line["log_level"] == "error"]
    assert line["destination"] == "mine"
    assert broken.closed == 1
    # A mended adapter begins with the batch that was under way.
    mended = Far()
    async with running(bench.delivery(mended, "mine")):
        await until(lambda: mended.held == list(range(1, 16)))
    assert mended.batches[0] == broken.batches[0]


@pytest.mark.asyncio
async def test_a_stuck_destination_delays_no_other(bench: Bench) -> None:
    """While one destination does not answer at all, another gets everything."""
    stuck, sound = Far(), Far()
    stuck.gate.clear()
    bench.journal.add(3)
    mine, other = bench.delivery(stuck, "mine"), bench.delivery(sound, "other")
    async with running(mine, other):
        await until(lambda: len(stuck.batches) == 1)
        bench.journal.add(2000)
        await until(lambda: len(sound.held) == 2003)
        assert mine.status().through == 0
        assert mine.status().lag == 2003
        assert not await mine.drain(0.05)


@pytest.mark.asyncio
async def test_the_loop_never_waits_for_the_disk(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading the journal and keeping the cursor happen in a thread: a slow disk stalls neither loop nor neighbour."""
    loop_thread_calls = []

    def watched(name: str) -> None:
        original = getattr(Cursors, name)

        def call(self: Cursors, *args: Any, **more: Any) -> Any:
            try:
                asyncio.get_running_loop()
                loop_thread_calls.append(name)
            except RuntimeError:
                time.sleep(0.05)
            return original(self, *args, **more)

        monkeypatch.setattr(Cursors, name, call)

    for name in ("cursor", "begin", "advance"):
        watched(name)
    far = Far()
    bench.journal.add(10)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
    assert loop_thread_calls == []


@pytest.mark.asyncio
async def test_draining_delivers_what_is_there(bench: Bench) -> None:
    """At shutdown everything journalled by then is delivered; one that was unreachable is tried once more, at once."""
    far = Far()
    far.answers = iter([away])
    bench.journal.add(700)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "unreachable")
        assert await delivery.drain(PATIENCE_S)
        assert far.held == list(range(1, 701))
        far.answers = iter([away] * 50)
        bench.journal.add(1)
        assert not await delivery.drain(PATIENCE_S)
        assert delivery.status().lag == 1


@pytest.mark.asyncio
async def test_an_older_journal_under_the_same_epoch_is_not_delivered_from(bench: Bench) -> None:
    """A cursor that stands after the journal's end shows as broken: what would follow has ids that were used before."""
    bench.cursors.cursor("charts", EPOCH, start="beginning", head=0)
    bench.cursors.advance("charts", EPOCH, 50)
    bench.journal.add(20)
    far = Far()
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "broken")
    assert "the journal ends at 20" in delivery.status().last_error
    assert far.batches == []


@pytest.mark.asyncio
async def test_full_cursors_are_waited_out(bench: Bench) -> None:
    """When the cursor can't be kept the delivery is unreachable, not broken, and goes on when there is room."""
    far = Far()
    bench.journal.add(5)
    delivery = bench.delivery(far)
    bench.cursors._db.execute("PRAGMA query_only = ON")
    async with running(delivery):
        await until(lambda: delivery.status().state == "unreachable")
        assert "deliveries.db" in delivery.status().last_error
        bench.cursors._db.execute("PRAGMA query_only = OFF")
        assert await delivery.drain(PATIENCE_S)
    assert far.held == [1, 2, 3, 4, 5]
