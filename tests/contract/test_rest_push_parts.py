"""Finding the refused ones: exactly those, in few requests, all others taken once and in order, under lasting keys."""

from __future__ import annotations

import asyncio
import math
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings as hypothesis_settings, strategies as st

from gaugepost.contract import Outcome
from gaugepost.contract.kit.destinations import EPOCH, samples
from gaugepost_adapters.destinations.rest_push.answers import Refused, Taken, TooLarge
from gaugepost_adapters.destinations.rest_push.parts import Part, Sending
from tests.bench_tools.receiver import Receiver
from tests.contract.rest_bench import deliver

Answers = Callable[[int, int], Taken | Refused | TooLarge]


def sending(sizes: list[int], most_records: int = 500, most_bytes: int = 10**6, frame: int = 10) -> Sending:
    """A batch whose sequences have gaps, as those of chosen kinds have."""
    records = [(f"{EPOCH}-{10 + 3 * at}", 10 + 3 * at, size) for at, size in enumerate(sizes)]
    return Sending("K", records, most_records=most_records, most_bytes=most_bytes, frame_bytes=frame)


def run(batch: Sending, answer: Answers) -> tuple[list[Part], list[int], Outcome]:
    """Return the parts that were sent, the records that were taken, and the outcome."""
    parts, taken = [], list[int]()
    while (part := batch.part()) is not None:
        parts.append(part)
        judgement = answer(part.start, part.stop)
        if isinstance(judgement, Taken):
            taken += range(part.start, part.stop)
        batch.settle(judgement)
    return parts, taken, batch.outcome()


def refusing(refused: set[int]) -> Answers:
    return lambda start, stop: Refused(f"{start}") if refused & set(range(start, stop)) else Taken()


BATCHES = st.integers(1, 500).flatmap(
    lambda n: st.tuples(st.just(n), st.sets(st.integers(0, n - 1), max_size=20))
)


@given(BATCHES)
def test_exactly_the_refused_ones_are_found(batch: tuple[int, set[int]]) -> None:
    """Whatever is refused: it alone is set aside with its own answer, the rest is taken once and in order.

    Halving finds one among n in ⌈log2 n⌉ steps of two requests (the bound for k of them is that of adaptive group
    testing by binary splitting: Hwang 1972, from memory).
    """
    count, refused = batch
    parts, taken, outcome = run(sending([1] * count), refusing(refused))
    assert taken == [at for at in range(count) if at not in refused]
    assert [(r.id, r.answer) for r in outcome.refused] == [
        (f"{EPOCH}-{10 + 3 * at}", str(at)) for at in sorted(refused)
    ]
    assert outcome.through == 10 + 3 * (count - 1)
    assert len(parts) <= 1 + 2 * len(refused) * math.ceil(math.log2(count))
    assert len({part.key for part in parts}) == len(parts)


@given(BATCHES, st.integers(1, 500), st.integers(20, 2000))
def test_the_same_batch_is_cut_at_the_same_places(
    batch: tuple[int, set[int]], most_records: int, most_bytes: int
) -> None:
    """A repeat after a restart meets the same parts under the same keys; the whole batch has the batch's own."""
    count, refused = batch
    sizes = [50 + (at * 37) % 90 for at in range(count)]
    first, second = (run(sending(sizes, most_records, most_bytes), refusing(refused))[0] for _ in range(2))
    assert first == second
    for part in first:
        whole = part.stop - part.start == count
        assert part.key == ("K" if whole else f"K:{10 + 3 * part.start}-{10 + 3 * (part.stop - 1)}")


@given(st.lists(st.integers(1, 300), min_size=1, max_size=200), st.integers(1, 50), st.integers(20, 900))
def test_cuts_are_within_bounds_and_no_smaller_than_need_be(
    sizes: list[int], most_records: int, most_bytes: int
) -> None:
    """Parts follow each other without a gap, each as large as the bounds let it be."""
    parts, taken, _ = run(sending(sizes, most_records, most_bytes, frame=10), lambda start, stop: Taken())
    assert taken == list(range(len(sizes)))

    def size(start: int, stop: int) -> int:
        return 10 + sum(sizes[start:stop]) + (stop - start - 1)

    for part in parts:
        count = part.stop - part.start
        assert count <= most_records
        assert count == 1 or size(part.start, part.stop) <= most_bytes
        if part.stop < len(sizes):
            assert count == most_records or size(part.start, part.stop + 1) > most_bytes


@given(st.integers(1, 300), st.integers(1, 300), st.sets(st.integers(0, 299), max_size=5))
def test_too_large_and_refused_may_mix(count: int, room: int, refused: set[int]) -> None:
    """A far side that takes `room` records at once and refuses some still gets every other one, in order."""

    def answer(start: int, stop: int) -> Taken | Refused | TooLarge:
        return TooLarge("too large") if stop - start > room else refusing(refused)(start, stop)

    _, taken, outcome = run(sending([1] * count), answer)
    assert taken == [at for at in range(count) if at not in refused]
    assert len(outcome.refused) == len({at for at in refused if at < count})


@hypothesis_settings(max_examples=25, deadline=None)
@given(BATCHES, st.sampled_from([400, 422]))
@pytest.mark.attack
def test_a_real_far_side_is_asked_the_same_way(batch: tuple[int, set[int]], status: int) -> None:
    """Over HTTP too exactly the refused ones come back, in few requests, and a repeat has the same keys."""
    count, chosen = batch
    refused = {at + 1 for at in chosen}
    records = samples(1, count)
    with (
        tempfile.TemporaryDirectory() as folder,
        Receiver(refuses=lambda record: status if record["sequence"] in refused else 0) as receiver,
    ):
        outcome = asyncio.run(deliver(receiver.url, Path(folder), records))
        asked = len(receiver.requests)
        again = asyncio.run(deliver(receiver.url, Path(folder), records))
    assert outcome == again
    assert outcome.through == count
    assert [refusal.id for refusal in outcome.refused] == [
        f"{EPOCH}-{sequence}" for sequence in sorted(refused)
    ]
    assert all(f'"{refusal.id}"' in refusal.answer for refusal in outcome.refused)
    assert receiver.ids == [f"{EPOCH}-{at}" for at in range(1, count + 1) if at not in refused]
    assert asked <= 1 + 2 * len(refused) * math.ceil(math.log2(count))
    assert receiver.repeats == asked == len(receiver.requests) - asked
    assert receiver.mismatches == 0


@pytest.mark.parametrize("at", [0, 63, 64, 127])
def test_those_before_are_sent_first(at: int) -> None:
    """No record is sent before all that come before it are settled."""
    parts, _, _ = run(sending([1] * 128), refusing({at}))
    settled = 0
    for part in parts:
        assert part.start == settled
        if refusing({at})(part.start, part.stop) == Taken() or part.stop - part.start == 1:
            settled = part.stop
