"""What people do about deliveries: hurry, mend, hand over again, skip; and nothing is lost or doubled by it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from gaugepost.contract import Outcome, Publication, Refusal
from gaugepost.core.errors import CommandRefused
from gaugepost.edge.asides import Asides, By
from gaugepost.edge.cursors import Cursors
from gaugepost.shell import delivery as shell_delivery
from gaugepost.shell.delivery import Delivery
from tests.shell.test_delivery import EPOCH, PATIENCE_S, Bench, Far, away, crashes, running, until

BY = By(7000, "M2", "the line was set up anew")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with closing(Cursors(tmp_path / "deliveries.db", first_start=True)) as cursors:
        yield Bench(tmp_path, cursors)


def refusing(*refused: int, answer: str = "no such lot") -> Callable[[list[int]], Outcome]:
    """An answer that takes the whole batch but for these."""
    return lambda sequences: Outcome(
        sequences[-1], [Refusal(f"{EPOCH}-{one}", answer) for one in refused if one in sequences]
    )


def poisoned(sequences: list[int]) -> Outcome:
    return crashes(sequences) if 4 in sequences else Outcome(sequences[-1])


class Taking(Far):
    """A far side that tells what it took from what it refused."""

    def __init__(self) -> None:
        super().__init__()
        self.taken: list[int] = []

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        outcome = await super().deliver(batch, key)
        refused = {refusal.id for refusal in outcome.refused}
        self.taken += [s for s in self.batches[-1][0] if f"{EPOCH}-{s}" not in refused]
        return outcome


@pytest.mark.asyncio
async def test_retry_does_not_wait(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """An unreachable destination is tried at once on command, and whoever asked hears how it went."""
    monkeypatch.setattr(shell_delivery, "pause_s", lambda *_: 3000.0)
    far = Far()
    far.answers = iter([away, away])
    bench.journal.add(3)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "unreachable")
        await delivery.retry(BY)
        assert (delivery.status().state, len(far.batches)) == ("unreachable", 2)
        await delivery.retry(By(8000))
        assert (delivery.status().state, len(far.batches)) == ("idle", 3)
        await delivery.retry(BY)  # nothing to hurry: harmless
    assert far.held == [1, 2, 3]
    told = Asides(bench.cursors).commands("charts")
    assert [(one.what, one.by.operator) for one in told] == [("try", "M2"), ("try", None), ("try", "M2")]


@pytest.mark.asyncio
async def test_a_broken_one_begins_again_on_command(bench: Bench) -> None:
    """Broken it waits; on command the same batch goes out again under its key, after closing and opening."""
    far = Far()
    far.answers = iter([crashes, crashes])
    bench.journal.add(3)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "broken")
        await delivery.retry(BY)
        assert delivery.status().state == "broken"
        await delivery.retry(BY)
        await until(lambda: delivery.status().lag == 0)
        assert delivery.status().state == "idle"
    assert far.batches == [([1, 2, 3], f"{EPOCH}-1-3")] * 3
    assert far.opened == far.closed == 3


@pytest.mark.asyncio
async def test_refused_records_are_handed_over_again(bench: Bench) -> None:
    """They go in a batch of their own that says so; what is taken leaves the list, the rest has the new answer."""
    far = Far()
    far.answers = iter([refusing(2, 5, 9), refusing(5, answer="no such piece")])
    bench.journal.add(10)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        assert await delivery.hand_over_again([9, 2, 5], BY) == 3
        await until(lambda: delivery.status().counts.again == 0)
        assert delivery.status().counts.refused == 1
        bench.journal.add(1)
        await until(lambda: delivery.status().lag == 0)
    assert far.batches[1] == ([2, 5, 9], f"again-1-{EPOCH}-2-9")
    assert far.batches[2][0] == [11]
    (left,) = Asides(bench.cursors).listed("charts")
    assert (left.sequence, left.answer, left.again) == (5, "no such piece", False)
    (command,) = Asides(bench.cursors).commands("charts")
    assert (command.what, command.sequences, command.by) == ("again", (2, 5, 9), BY)


@pytest.mark.asyncio
async def test_all_that_is_refused_at_once(bench: Bench) -> None:
    """More than a batch of refused records goes out in batches, each once, while new records go on in between."""
    far = Far()
    far.answers = iter([refusing(*range(1, 501)), refusing(*range(501, 701))])
    bench.journal.add(700)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        assert delivery.status().counts.refused == 700
        far.gate.clear()
        bench.journal.add(1)
        await until(lambda: len(far.batches) == 3)
        assert await delivery.hand_over_again(None, BY) == 700
        bench.journal.add(1)
        with pytest.raises(CommandRefused, match="nothing set aside"):
            await delivery.hand_over_again(None, BY)
        far.gate.set()
        await until(lambda: delivery.status().counts.again == 0 and delivery.status().lag == 0)
    assert [s for s, _ in far.batches[3:]] == [list(range(1, 501)), [702], list(range(501, 701))]
    assert delivery.status().counts.refused == 0


@pytest.mark.asyncio
async def test_a_repeat_out_of_order_is_the_same_batch(bench: Bench) -> None:
    """Cut off or restarted, the records come again as the same batch under the same key, and new ones pass by."""
    far = Far()
    far.answers = iter([refusing(1, 2, 3), away, refusing(), away])
    bench.journal.add(10)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        await delivery.hand_over_again([1, 2], BY)
        await until(lambda: delivery.status().state == "unreachable")
        await delivery.hand_over_again([3], By(8000, "M3"))
        bench.journal.add(1)
        await until(lambda: delivery.status().lag == 0)
        await until(lambda: len(far.batches) == 4)
    again = bench.delivery(far)
    async with running(again):
        await until(lambda: far.held[-1] == 3)
    key = f"again-1-{EPOCH}-1-2"
    assert far.batches[1:4] == [([1, 2], key), ([11], f"{EPOCH}-11-11"), ([1, 2], key)]
    assert far.batches[4:] == [([1, 2], key), ([3], f"again-2-{EPOCH}-3-3")]


@pytest.mark.asyncio
async def test_a_batch_that_blocks_is_skipped(bench: Bench) -> None:
    """The record over which an adapter breaks is left out on command; the others arrive under another key."""
    far = Far()
    far.answers = iter([poisoned] * 9)
    bench.journal.add(10)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "broken")
        for wrong in ([11], [0], [4, 12]):
            with pytest.raises(CommandRefused, match="not set aside"):
                await delivery.skip(EPOCH, wrong, BY)
        assert await delivery.skip(EPOCH, [4], BY) == 1
        await until(lambda: delivery.status().lag == 0)
        with pytest.raises(CommandRefused, match="skipped before"):
            await delivery.skip(EPOCH, [4], BY)
        assert (delivery.status().counts.skipped, delivery.status().counts.refused) == (1, 0)
    assert far.held == [1, 2, 3, 5, 6, 7, 8, 9, 10]
    assert far.batches[-1][1] == f"{EPOCH}-1-10-skip-1"
    (left,) = Asides(bench.cursors).listed("charts", skipped=True)
    assert (left.sequence, left.answer, left.skipped) == (4, "", BY)


@pytest.mark.asyncio
async def test_a_whole_batch_is_skipped_by_its_key(bench: Bench) -> None:
    """Only the batch that is under way can be skipped, under its key, so that nobody skips what they did not see."""
    far = Far()
    far.answers = iter([crashes])
    bench.journal.add(3)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().state == "broken")
        bench.journal.add(2)
        pending = delivery.status().pending
        assert pending is not None
        with pytest.raises(CommandRefused, match="not under way"):
            await delivery.skip_batch(f"{EPOCH}-1-4", BY)
        assert await delivery.skip_batch(pending.key, BY) == 3
        await until(lambda: delivery.status().lag == 0)
    assert far.held == [4, 5]
    assert [one.sequence for one in Asides(bench.cursors).listed("charts", skipped=True)] == [3, 2, 1]
    restarted = bench.delivery(far)
    async with running(restarted):
        await until(lambda: restarted.status().counts.skipped == 3)


@pytest.mark.asyncio
async def test_skipping_of_what_is_on_its_way_again(bench: Bench) -> None:
    """A skip ends the way of a record that was to come again; the others of its batch come under another key."""
    far = Far()
    far.answers = iter([refusing(1, 2, 3), away])
    bench.journal.add(3)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        await delivery.hand_over_again([1, 2, 3], BY)
        await until(lambda: delivery.status().state == "unreachable")
        await delivery.skip(EPOCH, [2], BY)
        await until(lambda: delivery.status().counts.again == 0)
        with pytest.raises(CommandRefused, match="was skipped"):
            await delivery.hand_over_again([2], BY)
    assert far.batches[1:] == [([1, 2, 3], f"again-1-{EPOCH}-1-3"), ([1, 3], f"again-2-{EPOCH}-1-3")]


@pytest.mark.asyncio
async def test_nobody_skips_under_a_batch_that_is_being_handed_over(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the far side has the batch and no answer came, a skip is refused and changes nothing."""
    monkeypatch.setattr(shell_delivery, "BUSY_S", 0.05)
    far = Far()
    far.gate.clear()
    bench.journal.add(3)
    delivery = bench.delivery(far)
    async with running(delivery):
        await until(lambda: len(far.batches) == 1)
        with pytest.raises(CommandRefused, match="no answer yet"):
            await delivery.skip(EPOCH, [2], BY)
        far.gate.set()
        await until(lambda: delivery.status().lag == 0)
    assert far.held == [1, 2, 3]


@pytest.mark.asyncio
@pytest.mark.parametrize(("start", "first"), [(0, 1), (5, 5), (20, 20)])
async def test_a_new_destination_begins_at_a_time(bench: Bench, start: int, first: int) -> None:
    """It gets the first record measured then or later and what follows it; the test's clock stands at the sequence."""
    far = Far()
    bench.journal.add(20)
    delivery = bench.delivery(far, start=start)
    async with running(delivery):
        await until(lambda: delivery.status().lag == 0)
        bench.journal.add(1)
        await until(lambda: delivery.status().through == 21)
    assert far.held == list(range(first, 22))
    # Where it stands counts from now on, whatever the file says.
    other = bench.delivery(far, start=2)
    async with running(other):
        bench.journal.add(1)
        await until(lambda: other.status().through == 22)
    assert far.held == list(range(first, 23))


@pytest.mark.asyncio
async def test_a_time_to_come_is_waited_for(bench: Bench) -> None:
    """What is recorded before that time is not sent, also over a restart; from the first one after it everything is."""
    far = Far()
    bench.journal.add(2)

    async def seen(delivery: Delivery) -> None:
        await until(lambda: delivery.status().through == len(bench.journal.records))

    for _ in range(2):
        waiting = bench.delivery(far, start=8)
        async with running(waiting):
            await seen(waiting)
            bench.journal.add(2)
            await seen(waiting)
            assert await waiting.drain(PATIENCE_S)
    assert far.opened == 0
    delivery = bench.delivery(far, start=8)
    async with running(delivery):
        bench.journal.add(4)
        await until(lambda: far.held == [8, 9, 10])


@pytest.mark.asyncio
async def test_commands_and_traffic_together_lose_and_double_nothing(bench: Bench) -> None:
    """Retries, hand-overs and skips in a lively minute: every record is held once, refused or skipped at the end."""
    far = Taking()
    bench.journal.add(1)
    delivery = bench.delivery(far)
    far.answers = iter(
        [(refusing(n * 7, n * 11), away, refusing(*range(0, 900, 13)))[n % 3] for n in range(60)]
    )

    async def people() -> None:
        for turn in range(30):
            asides = Asides(bench.cursors).listed("charts", limit=3)
            try:
                if turn % 3 == 0:
                    await delivery.hand_over_again(None, BY)
                elif turn % 3 == 1 and asides:
                    await delivery.skip(EPOCH, [asides[0].sequence], BY)
            except CommandRefused:
                pass
            await delivery.retry(BY)

    async def traffic() -> None:
        for _ in range(40):
            bench.journal.add(20)
            await asyncio.sleep(0.005)

    async with running(delivery):
        await asyncio.gather(people(), traffic())
        await until(lambda: delivery.status().lag == 0 and delivery.status().counts.again == 0)
        far.answers = iter([refusing(802)])
        bench.journal.add(1)
        await until(lambda: delivery.status().lag == 0)
        assert await delivery.skip(EPOCH, [802], BY) == 1
    aside: Sequence[int] = [
        one.sequence
        for skipped in (True, False)
        for one in Asides(bench.cursors).listed("charts", skipped=skipped, limit=2000)
    ]
    assert delivery.status().counts.skipped > 0
    assert sorted([*far.taken, *aside]) == list(range(1, 803))
