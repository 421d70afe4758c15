"""What every decoder must keep, whatever the bytes: chunks do not matter, nothing vanishes, no number is invented."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from gaugepost.contract.adapters import Decoder
from gaugepost.contract.kit.not_held import NotHeld, check_settings
from gaugepost.core.errors import ValueRefused
from gaugepost.core.indication import (
    MAX_FRAME_BYTES,
    BadFrame,
    Chunk,
    Code,
    Condition,
    Decoded,
    Indication,
    Moment,
    Temperature,
    Trigger,
)
from gaugepost.core.quantity import parse_number

Make = Callable[[], Decoder]
MOMENT = Moment(utc_ms=0, clock_ms=0, boot="")
"""When the kit's chunks arrive. No decoder may care."""
LONG_SILENCE_S = 3600.0

_KINDS = (Indication, Temperature, Condition, Code, Trigger, BadFrame)


@dataclass(frozen=True, slots=True)
class Sample:
    """What a gauge sends, from the beginning of a frame to the end of one, and what must come of it."""

    data: bytes
    events: tuple[Decoded, ...]
    channel: str = ""
    complete: bool = False
    """`data` is one packet, whose edges are the frame's. It is then never cut."""
    silent: bool = False
    """`data` is one frame that only the silence after it ends."""


def check_decoder(make: Make, samples: Sequence[Sample], *, accounts: bool = True, seed: int = 1) -> None:
    """Hold a decoder, made afresh by `make` as often as needed, against every promise.

    `accounts=False` is for a decoder that is told to pass over bytes between frames.

    Raises:
        NotHeld: the first promise that does not hold.
    """
    check_settings(type(make()).Settings)
    chance = random.Random(seed)  # noqa: S311 - repeatable, not secret
    for sample in samples:
        check_reads(make, sample)
        check_reset(make, sample)
        check_garbage(make, sample, chance)
        if not sample.complete:
            check_cuts(make, sample, chance)
            check_truncated(make, sample)
        if accounts:
            check_accounts(make, sample.data, complete=sample.complete)
    check_any_bytes(make, samples, chance, accounts=accounts)
    check_request(make)


def decode(
    decoder: Decoder, pieces: Sequence[bytes], channel: str = "", complete: bool = False
) -> list[Decoded]:
    """Feed `pieces` one after the other and return all that came of them, each held against `check_event`."""
    events: list[Decoded] = []
    for piece in pieces:
        came = decoder.feed(Chunk(piece, MOMENT, channel, complete))
        for event in came:
            check_event(event)
        events += came
    return events


def _come_of(decoder: Decoder, pieces: Sequence[bytes], sample: Sample) -> list[Decoded]:
    """Return all that comes of a sample, however it is cut."""
    events = decode(decoder, pieces, sample.channel, sample.complete)
    if sample.silent:
        if events:
            raise NotHeld("a frame that a silence ends is not read before", repr(events))
        events = decoder.idle(LONG_SILENCE_S)
        for event in events:
            check_event(event)
    return events


def check_event(event: object) -> None:
    """One event keeps its own promises: a known kind, a bounded raw, and a number that is what its digits say."""
    if not isinstance(event, _KINDS):
        raise NotHeld("a decoder answers with the contract's events only", repr(event))
    if len(event.raw) > MAX_FRAME_BYTES:
        raise NotHeld(f"no event holds more than {MAX_FRAME_BYTES} bytes", f"{len(event.raw)} bytes")
    if isinstance(event, BadFrame) and not event.reason:
        raise NotHeld("a bad frame says why", repr(event))
    if isinstance(event, Condition) and not (event.code and event.meaning):
        raise NotHeld("a condition has a code and a meaning", repr(event))
    if isinstance(event, Indication | Temperature) and not event.raw:
        raise NotHeld("a number keeps the bytes it was read from", repr(event))
    if isinstance(event, Temperature) and not event.celsius.is_finite():
        raise NotHeld("a temperature is a number", repr(event))
    if isinstance(event, Indication):
        try:
            read = parse_number(event.text)
        except ValueRefused as refused:
            raise NotHeld("an indication's text is plain digits", repr(event)) from refused
        if read.as_tuple() != event.value.as_tuple():
            raise NotHeld("an indication's value is exactly what its text says", repr(event))


def check_reads(make: Make, sample: Sample) -> None:
    """The sample gives its events, in order; with the same bytes again, the same once more."""
    decoder = make()
    for turn in ("", " the second time"):
        events = _come_of(decoder, [sample.data], sample)
        if tuple(events) != sample.events:
            raise NotHeld(f"{sample.data!r} gives{turn} {sample.events}", repr(tuple(events)))
    _nothing_left(decoder, f"{sample.data!r}")


def cuts(data: bytes, chance: random.Random, rounds: int = 10) -> Iterator[list[bytes]]:
    """Yield ways to split `data`: byte by byte, in two at every place (or some, of a long one), and at random."""
    yield [data[at : at + 1] for at in range(len(data))]
    places = range(len(data) + 1)
    for at in places if len(data) <= 300 else chance.sample(places, 300):
        yield [data[:at], data[at:]]
    for _ in range(rounds):
        edges = sorted(chance.choices(places, k=chance.randint(1, 8)))
        yield [data[a:b] for a, b in zip([0, *edges], [*edges, len(data)], strict=True)]


def check_cuts(make: Make, sample: Sample, chance: random.Random) -> None:
    """However the stream is cut into chunks, the same comes of it."""
    for pieces in cuts(sample.data, chance):
        events = _come_of(make(), pieces, sample)
        if tuple(events) != sample.events:
            raise NotHeld(f"cut as {pieces} it still gives {sample.events}", repr(tuple(events)))


def check_truncated(make: Make, sample: Sample) -> None:
    """A stream that stops anywhere gives the events that were complete, and bad frames; never another number."""
    for length in range(len(sample.data)):
        decoder = make()
        events = decode(decoder, [sample.data[:length]], sample.channel)
        left = decoder.idle(LONG_SILENCE_S)
        if tuple(events) != sample.events[: len(events)]:
            raise NotHeld(
                f"{sample.data[:length]!r}, cut short, gives a beginning of {sample.events}", repr(events)
            )
        if not all(isinstance(event, BadFrame) for event in left):
            raise NotHeld("half a frame, ended by silence, is a bad frame", repr(left))
        _nothing_left(decoder, "a silence")


def check_reset(make: Make, sample: Sample) -> None:
    """A lost link in the middle of a frame leaves nothing behind that the next frame could be taken together with."""
    for length in range(len(sample.data)):
        for by_silence in (False, True):
            decoder = make()
            decode(decoder, [sample.data[:length]], sample.channel)
            if decoder.idle(0.0):
                raise NotHeld(
                    "no silence ends nothing", f"idle(0) after {sample.data[:length]!r} ended a frame"
                )
            _ = decoder.idle(LONG_SILENCE_S) if by_silence else decoder.reset()
            events = _come_of(decoder, [sample.data], sample)
            if tuple(events) != sample.events:
                raise NotHeld(
                    f"after {sample.data[:length]!r} and a fresh start: {sample.events}", repr(tuple(events))
                )


def check_garbage(make: Make, sample: Sample, chance: random.Random, rounds: int = 20) -> None:
    """Garbage and a silence before a frame, or garbage after it, do not change what comes of the frame."""
    for _ in range(rounds):
        garbage = chance.randbytes(chance.randint(1, 3 * MAX_FRAME_BYTES if chance.random() < 0.1 else 60))
        decoder = make()
        decode(decoder, [garbage], sample.channel)
        decoder.idle(LONG_SILENCE_S)
        events = _come_of(decoder, [sample.data], sample)
        if tuple(events) != sample.events:
            raise NotHeld(
                f"after {garbage!r} and a silence {sample.data!r} gives {sample.events}", repr(tuple(events))
            )
        decode(decoder, [garbage], sample.channel)


def check_accounts(make: Make, data: bytes, complete: bool = False) -> None:
    """Every byte is in exactly one event's raw, in order, once half a frame is given up."""
    decoder = make()
    events = [*decode(decoder, [data], complete=complete), *decoder.reset()]
    kept = b"".join(event.raw for event in events)
    if kept != data:
        at = next(
            (i for i, (a, b) in enumerate(zip(kept, data, strict=False)) if a != b), min(len(kept), len(data))
        )
        seen = f"from byte {at} on {kept[at : at + 20]!r} of {data[at : at + 20]!r}; {len(kept)} of {len(data)} bytes"
        raise NotHeld("every byte is in exactly one event's raw", seen)


def check_any_bytes(
    make: Make, samples: Sequence[Sample], chance: random.Random, *, accounts: bool = True
) -> None:
    """Bytes at random, and samples with a byte changed, dropped or doubled, raise nothing and are accounted for."""
    streams = [chance.randbytes(size) for size in (1, 2, 10, 100, MAX_FRAME_BYTES, 5 * MAX_FRAME_BYTES)]
    streams += [
        bytes([byte]) * (2 * MAX_FRAME_BYTES + 1) for byte in (0, 0x0A, 0x0D, 0x20, 0x2B, 0x30, 0x41, 0xFF)
    ]
    for sample in samples:
        for _ in range(50):
            at = chance.randrange(len(sample.data)) if sample.data else 0
            middle = chance.choice([b"", chance.randbytes(1), sample.data[at : at + 1] * 2])
            streams.append(sample.data[:at] + middle + sample.data[at + 1 :])
    for data in streams:
        for complete in (False, True):
            decode(make(), [data], complete=complete)
            if accounts:
                check_accounts(make, data, complete=complete)


def check_request(make: Make) -> None:
    """What asks a gauge is bytes, few enough for one frame, and asking changes nothing in the decoder."""
    decoder = make()
    for channel in ("", "1"):
        request: object = decoder.request(channel)
        if not isinstance(request, bytes) or len(request) > MAX_FRAME_BYTES:
            raise NotHeld("a request is bytes, at most one frame", repr(request)[:80])
    _nothing_left(decoder, "a request")


def _nothing_left(decoder: Decoder, after: str) -> None:
    if left := decoder.reset():
        raise NotHeld(f"nothing is pending after {after}", repr(left))
