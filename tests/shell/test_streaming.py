"""Records that go out as they come: nothing is waited for, the cursor follows, and a trouble ends it in batches."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Outcome, Publication, Refusal, Stream
from gaugepost.core.record import Kind
from gaugepost.edge.asides import By
from gaugepost.edge.cursors import Cursors
from tests.shell.test_delivery import EPOCH, Bench, Far, away, running, until

pytestmark = pytest.mark.asyncio

BY = By(0, "ann", "its topic is wrong")


class Far2(Far):
    """A destination that takes records as they come, too; it answers where the test says so."""

    def __init__(self) -> None:
        super().__init__()
        self.streams: list[Lane] = []
        self.answers_at_once = True

    async def stream(self, news: Callable[[], None]) -> Stream:
        lane = Lane(self, news)
        self.streams.append(lane)
        return lane


class Lane:
    """One stream to `Far2`."""

    def __init__(self, far: Far2, news: Callable[[], None]) -> None:
        self.far, self.news = far, news
        self.held, self.over, self.room = 0, False, 1000
        self.sent: list[int] = []
        self.settled = asyncio.Event()

    def send(self, records: Sequence[Publication]) -> None:
        for record in records:
            assert isinstance(record["sequence"], int)
            self.sent.append(record["sequence"])
            if self.far.answers_at_once:
                self.answer(record["sequence"])

    def answer(self, through: int) -> None:
        self.far.held += [s for s in self.sent if self.held < s <= through]
        self.held = through

    def end(self) -> None:
        self.over = True
        self.settled.set()
        self.news()

    async def settle(self) -> None:
        if self.held < (self.sent or [0])[-1]:
            await self.settled.wait()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with closing(Cursors(tmp_path / "deliveries.db", first_start=True)) as cursors:
        yield Bench(tmp_path, cursors)


async def kept(bench: Bench) -> int:
    return bench.cursors.cursor("charts", EPOCH, start="beginning", head=0).through


async def test_what_is_at_hand_goes_out_without_batches(bench: Bench) -> None:
    """Records go out one after another in order, and the cursor on disk comes to the last of them."""
    far = Far2()
    delivery = bench.delivery(far)
    async with running(delivery):
        for _ in range(30):
            bench.journal.add(7, known=True)
            await asyncio.sleep(0)
        await until(lambda: delivery.status().lag == 0)
        await until(lambda: delivery.status().state == "idle")  # said once the thread's word is back
        assert await kept(bench) == 210
    assert far.held == list(range(1, 211))
    assert not far.batches


async def test_the_cursor_never_passes_what_is_held(bench: Bench) -> None:
    """While answers are missing the cursor stays before them; what is sent meanwhile is not waited for."""
    far = Far2()
    far.answers_at_once = False
    delivery = bench.delivery(far)
    async with running(delivery):
        bench.journal.add(10, known=True)
        await until(lambda: bool(far.streams) and len(far.streams[0].sent) == 10)
        far.streams[0].answer(4)
        await until(lambda: delivery.status().through == 4)
        bench.journal.add(5, known=True)
        await until(lambda: len(far.streams[0].sent) == 15)
        assert await kept(bench) == 4
        far.streams[0].answer(15)
        await until(lambda: delivery.status().lag == 0)
    assert far.held == list(range(1, 16))


async def test_records_of_no_interest_are_passed_over(bench: Bench) -> None:
    """Only the kinds that are wanted go out, and the cursor goes past the others."""
    far = Far2()
    delivery = bench.delivery(far, kinds=[Kind.CHECK])
    async with running(delivery):
        bench.journal.add(10, known=True)
        await until(lambda: delivery.status().through == 10)
    assert far.held == [3, 6, 9]
    assert not far.batches


async def test_what_is_not_plainly_held_goes_out_again_in_batches(bench: Bench) -> None:
    """A stream that ends leaves its rest to a batch, which can refuse a record; then records stream again."""
    far = Far2()
    far.answers_at_once = False

    def refuse_seven(sequences: list[int]) -> Any:
        return Outcome(sequences[-1], (Refusal(f"{EPOCH}-7", "no such topic"),))

    far.answers = iter([away, refuse_seven])
    delivery = bench.delivery(far)
    async with running(delivery):
        bench.journal.add(10, known=True)
        await until(lambda: bool(far.streams) and len(far.streams[0].sent) == 10)
        far.streams[0].answer(6)
        far.streams[0].end()
        await until(lambda: delivery.status().lag == 0)
        assert delivery.status().counts.refused == 1
        bench.journal.add(3, known=True)
        await until(lambda: len(far.streams) == 2)
        far.streams[1].answer(13)
        await until(lambda: delivery.status().lag == 0)
    assert [sequences for sequences, _ in far.batches] == [[7, 8, 9, 10]] * 2
    assert far.held == list(range(1, 14))


async def test_what_memory_lacks_comes_from_the_journal(bench: Bench) -> None:
    """A destination that begins far behind is brought near in batches, and then takes records as they come."""
    far = Far2()
    bench.journal.add(700)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        bench.journal.add(5, known=True)
        await until(lambda: delivery.status().lag == 0)
    assert [len(sequences) for sequences, _ in far.batches] == [500, 200]
    assert [lane.sent for lane in far.streams] == [list(range(701, 706))]
    assert far.held == list(range(1, 706))


async def test_commands_get_their_turn(bench: Bench) -> None:
    """While records stream, refused ones can be skipped or handed over again; the stream ends for that and goes on."""
    far = Far2()
    two = (Refusal(f"{EPOCH}-2", "no"), Refusal(f"{EPOCH}-3", "no"))
    far.answers = iter([lambda sequences: Outcome(sequences[-1], two)])
    bench.journal.add(5)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        bench.journal.add(1, known=True)
        await until(lambda: len(far.streams) == 1)
        assert await delivery.skip(EPOCH, [2], BY) == 1
        assert await delivery.hand_over_again([3], BY) == 1
        await until(lambda: delivery.status().counts.refused == 0)
        bench.journal.add(1, known=True)
        await until(lambda: delivery.status().lag == 0)
    assert far.batches[-1][0] == [3]
    assert far.held[-1] == 7


async def test_nothing_is_left_at_an_orderly_end(bench: Bench) -> None:
    """`drain` returns once the last record is held, and the cursor on disk says so."""
    far = Far2()
    delivery = bench.delivery(far)
    async with running(delivery):
        bench.journal.add(50, known=True)
        assert await delivery.drain(20)
        assert await kept(bench) == 50
