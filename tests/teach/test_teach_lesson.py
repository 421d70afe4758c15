"""A lesson keeps all that was heard, in order, whatever a person takes back or passes over."""

from __future__ import annotations

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.contract import Chunk, Condition, Moment, ValueRefused
from gaugepost.contract.teaching import Ask, all_chunks
from gaugepost.teach import Lesson, read_typed
from gaugepost.teach.lesson import MOST_BYTES_HEARD, MOST_BYTES_KEPT, MOST_CHANNELS

NOW = Moment(0, 0, "")


def chunk(data: bytes, channel: str = "") -> Chunk:
    """What a link brought."""
    return Chunk(data, NOW, channel)


def test_what_is_typed_is_of_what_came_before_it() -> None:
    """Each measurement has what came since the one before it; what came last belongs to none yet."""
    lesson = Lesson({"descriptor": "06"})
    assert not lesson.show(read_typed("1 mm"))
    lesson.hear(chunk(b"1\r", "a"))
    assert lesson.show(read_typed("1 mm"))
    lesson.hear(chunk(b"2\r", "b"))
    lesson.never(Ask.NEGATIVE)
    evidence = lesson.evidence()
    assert [one.channel for one in evidence.samples[0].chunks] == ["a"]
    assert evidence.after == (chunk(b"2\r", "b"),)
    assert dict(evidence.tells) == {"descriptor": "06"}
    assert evidence.never == frozenset({Ask.NEGATIVE})


@settings(deadline=None)
@given(st.lists(st.sampled_from(["hear", "show", "skip", "drop first", "drop last"]), max_size=40))
def test_nothing_that_was_heard_is_lost(steps: list[str]) -> None:
    """Whatever is typed, skipped and dropped, every chunk is in the evidence, once and in its order."""
    lesson, heard = Lesson(), list[Chunk]()
    for number, step in enumerate(steps):
        if step == "hear":
            heard.append(chunk(bytes([number])))
            lesson.hear(heard[-1])
        elif step == "show":
            lesson.show(read_typed("1"))
        elif step == "skip":
            lesson.skip()
        elif lesson.samples:
            lesson.drop(1 if step == "drop first" else len(lesson.samples))
    assert list(all_chunks(lesson.evidence())) == heard


def test_a_measurement_that_is_not_there_can_not_be_dropped() -> None:
    """Dropping what was never measured changes nothing and says what there is."""
    lesson = Lesson()
    with pytest.raises(ValueRefused, match="nothing was measured yet"):
        lesson.drop(1)
    lesson.hear(chunk(b"1"))
    lesson.show(read_typed("1"))
    with pytest.raises(ValueRefused, match="there are 1 to 1"):
        lesson.drop(2)
    assert len(lesson.samples) == 1


def test_a_stream_is_bounded_and_keeps_its_end() -> None:
    """Of what never stops, the last of each channel is kept, and what is not kept is counted."""
    lesson = Lesson()
    lesson.hear(chunk(b"quiet", "b"))
    for number in range(3000):
        lesson.hear(chunk(b"%04d" % number, "a"))
    kept = b"".join(one.data for one in lesson.heard if one.channel == "a")
    assert kept.endswith(b"29982999")
    assert len(kept) == MOST_BYTES_HEARD
    assert lesson.passed_over == 4 * 3000 - len(kept)
    assert lesson.heard[0] == chunk(b"quiet", "b")


def test_what_no_decoder_sees_is_no_frame() -> None:
    """Bytes that a link calls faulty, and what it says of a battery, are no part of the evidence."""
    lesson = Lesson()
    lesson.hear(Chunk(b"1", NOW, fault="keys were lost"))
    lesson.hear(Chunk(b"5", NOW, condition=Condition("battery", "low", b"")))
    assert lesson.heard == ()


def test_a_lesson_that_never_ends_is_bounded() -> None:
    """Skipped, taken back or measured: no channel keeps more than a search takes, and it is said when it is full."""
    lesson = Lesson()

    def measure() -> None:
        for _ in range(3):
            lesson.hear(chunk(b"x" * MOST_BYTES_HEARD))
            lesson.skip()
        lesson.hear(chunk(b"12.345\r" * 800))
        lesson.show(read_typed("12.345"))

    def measure_on() -> None:
        for _ in range(100):
            measure()

    measure()
    measure()
    lesson.drop(1)
    with pytest.raises(ValueRefused, match="no search takes so much"):
        measure_on()
    kept = sum(len(one.data) for one in all_chunks(lesson.evidence()))
    assert kept <= MOST_BYTES_KEPT + MOST_BYTES_HEARD
    for number in range(2 * MOST_CHANNELS):
        lesson.hear(chunk(b"1", f"channel {number}"))
    assert len({one.channel for one in lesson.heard}) == MOST_CHANNELS
