"""What every destination must do, as checks that ours and a stranger's can be held against.

A destination is described to the checks by a `FarSide`: how one is made, what the far side holds, and how it is cut
off. Each check gets a far side of its own, makes destinations for it, and raises `NotHeld` where a promise is broken:

    @pytest.mark.parametrize("check", CHECKS)
    async def test_mine(check, tmp_path):
        await check(my_far_side(tmp_path))
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.contract.adapters import Destination, Outcome, Publication
from gaugepost.contract.continuous import Continuous
from gaugepost.contract.kit.not_held import NotHeld as NotHeld
from gaugepost.core.errors import Unreachable
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind, Record

EPOCH = "0b9ad0d5-5c6e-4f0f-9d51-8a3f3a2f7c11"
"""Epoch of the sample records."""

LOTS = ("L-4711", "", "Los Süd/7", '=2+3;"a"', "line\nend")
"""Lots of the sample records: what people and scanners enter, and what a far side must not choke on."""

ROUNDS = 3
"""How often a far side that is cut off is asked."""


@dataclass(frozen=True, slots=True)
class FarSide:
    """A far side to hold a destination against; empty at first."""

    make: Callable[[], Destination]
    """Makes a destination for this far side; several are made one after another."""
    held: Callable[[], Sequence[str]]
    """Ids that the far side holds, in the order in which it took them."""
    cut_off: Callable[[], AbstractContextManager[None]]
    """While entered, the far side can't be reached. What it held, it keeps."""
    tells_repeats: bool = True
    """Whether the far side can tell a repeat from a new record; then a repeat must double nothing."""


def samples(first: int, count: int) -> list[Publication]:
    """Return `count` records as published, from sequence `first` on: readings of an invented shop."""
    return [publish(_entry(sequence), EPOCH, "bench 1") for sequence in range(first, first + count)]


def _entry(sequence: int) -> Entry:
    value = Decimal(sequence % 41 - 20).scaleb(-4)
    record = Record(
        kind=Kind.READING,
        measured_at=1_700_000_000_000 + sequence * 1_234_567,
        clock_ms=sequence * 1000,
        gauge="bore-40",
        characteristic=f"D{sequence % 3}",
        lot=LOTS[sequence % len(LOTS)] or None,
        piece=f"+{sequence}",
        indication=str(value),
        indication_unit="mm",
        value_mm=40 + value,
        value=40 + value,
        unit="mm",
        deviation=value,
        verdict="not-judged" if sequence % 2 else "in-limits",
        reasons=("mastering is check-due", "no uncertainty") if sequence % 2 else None,
        raw=b"\x00\xff\r\n",
        text="-1+1" if sequence % 7 == 0 else "ok",
    )
    return Entry(sequence, bytes([sequence % 256]) * 32, record)


async def order_is_kept(far: FarSide) -> None:
    """Every record of several batches is held, in the order of its sequence."""
    destination = far.make()
    await destination.open()
    try:
        for first, count in ((1, 1), (2, 40), (42, 9)):
            await _deliver(destination, samples(first, count))
    finally:
        await destination.close()
    _compare(far, samples(1, 50))


async def the_outcome_covers_the_batch(far: FarSide) -> None:
    """`through` is a sequence of the batch, and what is answered for is held or refused by then."""
    destination = far.make()
    batch = samples(5, 20)
    await destination.open()
    try:
        outcome = await destination.deliver(batch, "5-24")
    finally:
        await destination.close()
    _covered(outcome, batch)
    refused = {refusal.id for refusal in outcome.refused}
    answered_for = [_id(r) for r in batch if _sequence(r) <= outcome.through and _id(r) not in refused]
    missing = [name for name in answered_for if name not in far.held()]
    if missing:
        raise NotHeld(f"it answered for {missing[0]}, which the far side does not hold")


async def a_repeat_doubles_nothing(far: FarSide) -> None:
    """The same batch under the same key, sent again at once and after others, is held once; none is lost by it."""
    destination = far.make()
    await destination.open()
    try:
        for first, count in ((1, 10), (1, 10), (11, 5), (11, 5)):
            await _deliver(destination, samples(first, count))
    finally:
        await destination.close()
    _compare(far, samples(1, 15))


async def a_stream_keeps_order(far: FarSide) -> None:
    """What goes out as it comes is held in its order; `held` says no more than that, and comes to the last record.

    Only for a destination that takes records so (`Continuous`). Batches follow a stream that has settled.
    """
    destination = far.make()
    if not isinstance(destination, Continuous):
        return
    await destination.open()
    try:
        stream = await destination.stream(lambda: None)
        for first, count in ((1, 1), (2, 30), (32, 9)):
            stream.send(samples(first, count))
            answered, held = stream.held, set(far.held())
            if missing := [_id(r) for r in samples(1, answered) if _id(r) not in held]:
                raise NotHeld(f"it answered for {missing[0]}, which the far side does not hold")
        await stream.settle()
        if stream.over or stream.held != 40:
            raise NotHeld(f"its stream settled at {stream.held} of 40")
        await _deliver(destination, samples(41, 5))
    finally:
        await destination.close()
    _compare(far, samples(1, 45))


async def it_survives_closing_and_opening(far: FarSide) -> None:
    """A new destination goes on where the old one stopped, and a batch repeated across the two is held once."""
    for first, count in ((1, 10), (1, 10), (11, 10)):
        destination = far.make()
        await destination.open()
        try:
            await _deliver(destination, samples(first, count))
        finally:
            await destination.close()
            await destination.close()
    _compare(far, samples(1, 20))


async def one_object_can_be_opened_again(far: FarSide) -> None:
    """What was closed can be opened again, as after an outage; closing what was never opened is harmless."""
    destination = far.make()
    await destination.close()
    for first in (1, 11):
        await destination.open()
        try:
            await _deliver(destination, samples(first, 10))
        finally:
            await destination.close()
    _compare(far, samples(1, 20))


async def an_outage_is_unreachable_and_passes(far: FarSide) -> None:
    """A far side that is cut off is `Unreachable`; afterwards the same batch arrives, once and in order."""
    destination = far.make()
    await destination.open()
    try:
        await _deliver(destination, samples(1, 10))
        with far.cut_off():
            for _ in range(ROUNDS):
                try:
                    outcome = await destination.deliver(samples(11, 10), "11-20")
                except Unreachable as cause:
                    if not str(cause):
                        raise NotHeld("it is unreachable and does not say why") from cause
                else:
                    raise NotHeld(f"it is cut off and answers {outcome}")
        await _deliver(destination, samples(11, 10))
    finally:
        await destination.close()
    _compare(far, samples(1, 20))


async def it_opens_after_an_outage(far: FarSide) -> None:
    """Opening or delivering while cut off is `Unreachable`, and the same object can be opened later."""
    destination = far.make()
    with far.cut_off():
        try:
            await destination.open()
            await destination.deliver(samples(1, 3), "1-3")
        except Unreachable:
            pass
        else:
            raise NotHeld("it opens and delivers while it is cut off")
        finally:
            await destination.close()
    await destination.open()
    try:
        await _deliver(destination, samples(1, 3))
    finally:
        await destination.close()
    _compare(far, samples(1, 3))


Check = Callable[[FarSide], Awaitable[None]]
CHECKS: tuple[Check, ...] = (
    order_is_kept,
    the_outcome_covers_the_batch,
    a_repeat_doubles_nothing,
    a_stream_keeps_order,
    it_survives_closing_and_opening,
    one_object_can_be_opened_again,
    an_outage_is_unreachable_and_passes,
    it_opens_after_an_outage,
)
"""Every check; each is to be given a far side of its own."""


async def _deliver(destination: Destination, batch: Sequence[Publication]) -> None:
    """Deliver all of `batch`, as a delivery does: what comes after `through` is sent again."""
    for _ in range(len(batch)):
        outcome = await destination.deliver(batch, f"{EPOCH}-{_sequence(batch[0])}-{_sequence(batch[-1])}")
        _covered(outcome, batch)
        if outcome.refused:
            raise NotHeld(f"it refuses {outcome.refused[0].id}: {outcome.refused[0].answer}")
        batch = [record for record in batch if _sequence(record) > outcome.through]
        if not batch:
            return


def _covered(outcome: Outcome, batch: Sequence[Publication]) -> None:
    if outcome.through not in [_sequence(record) for record in batch]:
        first, last = _sequence(batch[0]), _sequence(batch[-1])
        raise NotHeld(f"through is {outcome.through}, in answer to a batch from {first} to {last}")
    ids = [_id(record) for record in batch if _sequence(record) <= outcome.through]
    strange = [refusal.id for refusal in outcome.refused if refusal.id not in ids]
    if strange:
        raise NotHeld(f"it refused {strange[0]}, which it does not answer for")


def _compare(far: FarSide, expected: Sequence[Publication]) -> None:
    ids, held = [_id(record) for record in expected], list(far.held())
    if not far.tells_repeats:
        held = list(dict.fromkeys(held))
    if held == ids:
        return
    if missing := [name for name in ids if name not in held]:
        raise NotHeld(f"the far side does not hold {missing[0]}")
    if len(set(held)) != len(held):
        raise NotHeld(f"the far side holds {next(name for name in held if held.count(name) > 1)} twice")
    if strange := [name for name in held if name not in ids]:
        raise NotHeld(f"the far side holds {strange[0]}, which nobody sent")
    raise NotHeld(f"the far side holds the records in another order: {held}")


def _id(record: Publication) -> str:
    return str(record["id"])


def _sequence(record: Publication) -> int:
    sequence = record["sequence"]
    if not isinstance(sequence, int):
        raise TypeError(f"a record's sequence is a whole number, not {sequence!r}")
    return sequence
