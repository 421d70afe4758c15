"""The kit for destinations can fail: each promise is broken once, on purpose, and the check that holds it notices."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import ClassVar

import pytest

from gaugepost.contract import (
    AdapterSettings,
    Destination,
    Outcome,
    Publication,
    Refusal,
    Stream,
    Unreachable,
)
from gaugepost.contract.kit.destinations import CHECKS, Check, FarSide, NotHeld, samples


class Shelf:
    """A far side in memory that can tell repeats and can be cut off."""

    def __init__(self) -> None:
        self.ids: list[str] = []
        self.reachable = True

    @contextmanager
    def cut_off(self) -> Iterator[None]:
        self.reachable = False
        try:
            yield
        finally:
            self.reachable = True


class Sound:
    """A destination that keeps every promise."""

    Settings: ClassVar[type[AdapterSettings]] = AdapterSettings

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf

    async def open(self) -> None:
        self._reach()

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        self._reach()
        self.put([str(record["id"]) for record in batch])
        return Outcome(self.last(batch))

    async def close(self) -> None:
        pass

    def put(self, ids: list[str]) -> None:
        self.shelf.ids += [name for name in ids if name not in self.shelf.ids]

    def last(self, batch: Sequence[Publication]) -> int:
        sequence = batch[-1]["sequence"]
        assert isinstance(sequence, int)
        return sequence

    def _reach(self) -> None:
        if not self.shelf.reachable:
            raise Unreachable("the shelf is out of reach", hint="wait")


class Doubles(Sound):
    def put(self, ids: list[str]) -> None:
        self.shelf.ids += ids


class Reverses(Sound):
    def put(self, ids: list[str]) -> None:
        super().put(ids[::-1])


class Loses(Sound):
    def put(self, ids: list[str]) -> None:
        super().put(ids[:-1] if len(ids) > 1 else ids)


class Invents(Sound):
    def put(self, ids: list[str]) -> None:
        super().put([*ids, ids[-1] + "0"])


class AnswersBeyond(Sound):
    def last(self, batch: Sequence[Publication]) -> int:
        return super().last(batch) + 1


class AnswersBefore(Sound):
    def last(self, batch: Sequence[Publication]) -> int:
        return super().last(batch) - len(batch)


class RefusesWhatItLikes(Sound):
    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        return Outcome(self.last(batch), [Refusal(str(record["id"]), "not today") for record in batch])


class RefusesStrangers(Sound):
    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        outcome = await super().deliver(batch, key)
        return Outcome(outcome.through, [Refusal("nobody-1", "who is that?")])


class SwallowsOutages(Sound):
    def _reach(self) -> None:
        pass


class DropsDuringOutages(Sound):
    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        if not self.shelf.reachable:
            return Outcome(self.last(batch))
        return await super().deliver(batch, key)


class SaysNothing(Sound):
    def _reach(self) -> None:
        if not self.shelf.reachable:
            raise Unreachable("")


class ForgetsOnOpening(Sound):
    async def open(self) -> None:
        await super().open()
        self.shelf.ids.clear()


class Streams(Sound):
    """Takes records as they come, too, and holds them at once."""

    async def stream(self, news: Callable[[], None]) -> Stream:
        return Lane(self)

    def says_held(self, sequence: int) -> int:
        return sequence


class Lane:
    """One stream of `Streams`."""

    held, over, room = 0, False, 1000

    def __init__(self, owner: Streams) -> None:
        self.owner = owner

    def send(self, records: Sequence[Publication]) -> None:
        self.owner.put([str(record["id"]) for record in records])
        self.held = self.owner.says_held(self.owner.last(records))

    async def settle(self) -> None:
        pass


class StreamsBackwards(Reverses, Streams):
    pass


class StreamsWithLoss(Loses, Streams):
    pass


class SaysHeldTooEarly(Streams):
    def says_held(self, sequence: int) -> int:
        return sequence + 1


class NeverSaysHeld(Streams):
    def says_held(self, sequence: int) -> int:
        return 0


class NeverStreams(Streams):
    def put(self, ids: list[str]) -> None:
        pass


def far_side(make: Callable[[Shelf], Destination], *, tells_repeats: bool = True) -> FarSide:
    shelf = Shelf()

    def cut_off() -> AbstractContextManager[None]:
        return shelf.cut_off()

    return FarSide(lambda: make(shelf), lambda: shelf.ids, cut_off, tells_repeats)


@pytest.mark.asyncio
@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("make", [Sound, Streams])
async def test_a_sound_destination_passes(check: Check, make: type[Sound]) -> None:
    """The kit asks for nothing that a plain, sound destination does not do."""
    await check(far_side(make))


@pytest.mark.asyncio
@pytest.mark.parametrize("check", CHECKS)
async def test_a_far_side_that_cannot_tell_repeats_may_double(check: Check) -> None:
    """At least once is enough where the far side has no way to tell a repeat."""
    await check(far_side(Doubles, tells_repeats=False))


BROKEN = {
    "order_is_kept": [
        Reverses,
        Loses,
        Invents,
        AnswersBeyond,
        AnswersBefore,
        RefusesWhatItLikes,
        RefusesStrangers,
    ],
    "the_outcome_covers_the_batch": [Loses, AnswersBeyond, AnswersBefore, RefusesStrangers],
    "a_repeat_doubles_nothing": [Doubles, Reverses, Loses],
    "a_stream_keeps_order": [
        StreamsBackwards,
        StreamsWithLoss,
        SaysHeldTooEarly,
        NeverSaysHeld,
        NeverStreams,
    ],
    "it_survives_closing_and_opening": [ForgetsOnOpening, Doubles],
    "one_object_can_be_opened_again": [ForgetsOnOpening, Loses],
    "an_outage_is_unreachable_and_passes": [SwallowsOutages, DropsDuringOutages, SaysNothing],
    "it_opens_after_an_outage": [SwallowsOutages],
}


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("check", "make"),
    [(check, make) for check in CHECKS for make in BROKEN[check.__name__]],  # type: ignore[attr-defined]
)
async def test_a_broken_promise_is_noticed(check: Check, make: type[Sound]) -> None:
    """Whoever reverses, loses, doubles, invents or lies does not pass the check that is about it."""
    with pytest.raises(NotHeld):
        await check(far_side(make))


def test_samples_are_what_a_shop_may_enter() -> None:
    """The samples hold what breaks careless far sides: negative numbers, formulas, quotes, line ends, other scripts."""
    text = "".join(str(value) for record in samples(1, 50) for value in record.values())
    assert all(part in text for part in ('=2+3;"a"', "\n", "ü", "-0.0020", "-1+1"))
