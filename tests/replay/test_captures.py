"""Every capture, every cut: what gauges send is decoded however it comes, and no decoder invents a number."""

from __future__ import annotations

import asyncio
import itertools
import random

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.contract import BadFrame, Chunk, Decoded, Indication, Moment, Temperature
from gaugepost.contract.kit import decoders
from gaugepost.core.quantity import to_mm
from gaugepost_adapters.links.serial.port import SerialPortLink
from tests.bench_tools.captures import Capture, every
from tests.bench_tools.far_sides import Pty

CAPTURES = every()
EACH = pytest.mark.parametrize("capture", CAPTURES, ids=lambda capture: capture.name)
STREAMS = [capture for capture in CAPTURES if capture.streamed]
EACH_STREAM = pytest.mark.parametrize("capture", STREAMS, ids=lambda capture: capture.name)

FRONT_CANNOT_BE_TOLD = {
    # No sign that is always there, no width, no lead-in: "5.401" is as good a frame as "25.401".
    "bare_digits",
    # Without its leading blanks or blank the row is the same row: nothing that counts was lost.
    "spaced_row",
}
"""Captures in which the rest of a frame whose beginning was lost can be a whole frame."""


def _numbers(events: list[Decoded] | tuple[Decoded, ...]) -> list[Indication | Temperature]:
    return [event for event in events if isinstance(event, Indication | Temperature)]


def test_there_are_captures_enough() -> None:
    """At least twelve ways of writing a frame are on record, each saying what it is and where it comes from."""
    assert len(CAPTURES) >= 12
    assert all(
        len(capture.what) > 20 and capture.composed and len(capture.frames) > 1 for capture in CAPTURES
    )


@EACH
def test_a_capture_keeps_every_promise_of_the_kit(capture: Capture) -> None:
    """Whole, byte by byte, cut, truncated and amid garbage, a capture gives its events and nothing else."""
    decoders.check_decoder(capture.make, capture.samples)


@EACH
def test_lengths_are_exact_in_millimetres(capture: Capture) -> None:
    """Where a capture says millimetres, worked out apart, the decoded value and unit give exactly those."""
    for frame in capture.frames:
        measured = [event for event in _numbers(frame.events) if isinstance(event, Indication) and event.unit]
        for event, mm in zip(measured, frame.mm, strict=False):
            assert event.unit is not None
            assert to_mm(event.value, event.unit) == mm


@EACH_STREAM
@given(st.data())
def test_chunks_do_not_matter(capture: Capture, data: st.DataObject) -> None:
    """However the stream falls into chunks, the same events come."""
    edges = sorted(data.draw(st.lists(st.integers(0, len(capture.data)), max_size=12)))
    pieces = [capture.data[a:b] for a, b in itertools.pairwise([0, *edges, len(capture.data)])]
    assert tuple(decoders.decode(capture.make(), pieces)) == capture.sample.events


@EACH_STREAM
@given(st.data())
def test_garbage_costs_one_frame_at_most(capture: Capture, data: st.DataObject) -> None:
    """Garbage right before the stream spoils the first frame at most, none where there is a lead-in; after it, none."""
    before, after = data.draw(st.binary(max_size=200)), data.draw(st.binary(max_size=200))
    decoder = capture.make()
    events = decoders.decode(decoder, [before, capture.data])
    # A start mark in the garbage may wait for bytes that never come.
    events += [] if capture.terminated else decoder.idle(decoders.LONG_SILENCE_S)
    spoilt = 0 if "start" in capture.settings else 1
    kept = tuple(event for frame in capture.frames[spoilt:] for event in frame.events)
    assert tuple(events[-len(kept) :]) == kept
    decoders.decode(decoder, [after])

    events = decoders.decode(capture.make(), [capture.data, after])
    assert tuple(events[: len(capture.sample.events)]) == capture.sample.events


@EACH
def test_a_frame_that_lost_its_beginning_is_no_number(capture: Capture) -> None:
    """A link opened in the middle of a frame gives a bad frame, not the number that is left of it."""
    invented = []
    for frame in capture.frames:
        for lost in range(1, len(frame.data)):
            events = capture.hear(frame.data[lost:])
            invented += _numbers(events)
    assert bool(invented) == (capture.name in FRONT_CANNOT_BE_TOLD), invented


SAME_TEXT_OTHER_MEANING = {
    # "+99.9999" is that gauge's word for "beyond its range"; to a gauge without such a word it is a length.
    ("error_codes", "bare_digits"),
    ("error_codes", "framed_by_control_characters"),
    # Any two bytes are a temperature there: the service tells them from others by where they come from.
    ("error_codes", "environmental_sensing"),
}
"""(capture, decoder's capture) where the same characters mean another number to a gauge of that kind."""


@EACH
def test_other_decoders_decline_or_agree(capture: Capture) -> None:
    """A decoder set for another gauge gives nothing for these frames, or exactly the number that they hold.

    So too when the frames come between that other gauge's own lead-in and terminator, which is all that many lack.
    """
    start, end = _edges(capture)
    for other in CAPTURES:
        wrong = []
        for frame in capture.frames:
            right = {_number(event) for event in _numbers(frame.events)}
            their_start, their_end = _edges(other)
            disguised = their_start + frame.data.removeprefix(start).removesuffix(end) + their_end
            for data in (frame.data, disguised):
                events = _numbers(other.hear(data))
                wrong += [event for event in events if _number(event) not in right]
        assert bool(wrong) == ((capture.name, other.name) in SAME_TEXT_OTHER_MEANING), (other.name, wrong)


def _edges(capture: Capture) -> tuple[bytes, bytes]:
    if not capture.terminated:
        return b"", b""
    start, end = capture.settings.get("start", ""), capture.settings.get("terminator", "\r\n")
    return start.encode("latin-1"), end.encode("latin-1")


def _number(event: Indication | Temperature) -> object:
    return event.value if isinstance(event, Indication) else event.celsius


@pytest.mark.asyncio
async def test_a_whole_bench_through_real_ports() -> None:
    """All streams at once, each through a pty, a serial link and its decoder, in random pieces: each gives its own."""
    chance = random.Random(4711)
    ticks = itertools.count()

    async def play(capture: Capture, pty: Pty) -> None:
        pieces = list(decoders.cuts(capture.data, chance, rounds=1))[-1]
        for piece in pieces:
            await pty.say(piece)
            await asyncio.sleep(chance.random() / 200)

    async def listen(capture: Capture, pty: Pty) -> list[Decoded]:
        link = SerialPortLink(
            SerialPortLink.Settings.model_validate({"device": pty.path}), lambda: Moment(next(ticks), 0, "")
        )
        decoder = capture.make()
        await link.open()
        playing = asyncio.ensure_future(play(capture, pty))
        events: list[Decoded] = []
        try:
            async with asyncio.timeout(30):
                async for chunk in link.chunks():
                    events += decoder.feed(chunk)
                    if sum(len(event.raw) for event in events) == len(capture.data):
                        break
            await playing
        finally:
            await link.close()
        return events

    ptys = [Pty() for _ in STREAMS]
    try:
        heard = await asyncio.gather(
            *(listen(capture, pty) for capture, pty in zip(STREAMS, ptys, strict=True))
        )
    finally:
        for pty in ptys:
            pty.close()
    for capture, events in zip(STREAMS, heard, strict=True):
        assert tuple(events) == capture.sample.events, capture.name


@pytest.mark.parametrize(
    "capture", [each for each in CAPTURES if each.terminated], ids=lambda capture: capture.name
)
def test_a_packet_needs_no_terminator(capture: Capture) -> None:
    """On a link of packets the packet's end ends the frame, terminator or not."""
    _, end = _edges(capture)
    for frame in capture.frames:
        packet = frame.data.removesuffix(end)
        events = capture.make().feed(Chunk(packet, decoders.MOMENT, complete=True))
        assert _numbers(events) == [_without_end(event, end) for event in _numbers(frame.events)]
        assert not any(isinstance(event, BadFrame) for event in events)


def _without_end(event: Indication | Temperature, end: bytes) -> Indication | Temperature:
    raw = event.raw.removesuffix(end)
    if isinstance(event, Indication):
        return Indication(event.text, event.value, event.unit, raw, event.channel)
    return Temperature(event.celsius, raw, event.channel)


@EACH
@settings(max_examples=30)
@given(st.data())
def test_packets_dropped_doubled_and_out_of_order_are_each_read_for_themselves(
    capture: Capture, data: st.DataObject
) -> None:
    """Whatever a link of packets loses, doubles or mixes up, each packet gives the events of its own frame."""
    frames = data.draw(st.lists(st.sampled_from(capture.frames), max_size=6))
    decoder = capture.make()
    events = [
        event for frame in frames for event in decoder.feed(Chunk(frame.data, decoders.MOMENT, complete=True))
    ]
    assert events == [event for frame in frames for event in frame.events]
    assert decoder.reset() == []


@EACH
@settings(max_examples=30)
@given(st.data())
def test_a_packet_cut_short_is_no_number(capture: Capture, data: st.DataObject) -> None:
    """A packet without its beginning is a bad frame, and it does not reach into the next one."""
    frame = data.draw(st.sampled_from(capture.frames))
    lost = data.draw(st.integers(1, len(frame.data) - 1))
    decoder = capture.make()
    events = decoder.feed(Chunk(frame.data[lost:], decoders.MOMENT, complete=True))
    assert capture.name in FRONT_CANNOT_BE_TOLD or not _numbers(events)
    assert tuple(decoder.feed(Chunk(frame.data, decoders.MOMENT, complete=True))) == frame.events
