"""A link with several channels: the gauge's own is found, and what others send is kept and takes no part."""

from __future__ import annotations

import random
from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.commands.teach.samples import read_samples
from gaugepost.contract import Chunk, Decoder, Indication, Moment
from gaugepost.contract.capture import read_capture
from gaugepost.contract.teaching import all_chunks
from gaugepost.edge.plugins import DECODERS, find, installed
from gaugepost.teach import Evidence, Lesson, Outlook, read_typed, search
from tests.teach.unknown_gauges import gauge, shown, typed

KINDS: dict[str, type[Decoder]] = {name: find(DECODERS, name) for name in installed(DECODERS)}
SHOWN = (("12.345 mm", 12345), ("7.891 mm", 7891), ("-3.072 mm", -3072), ("23.418 mm", 23418))


def lesson_of(*measurements: tuple[str, list[tuple[str, bytes]]], packets: bool = True) -> Lesson:
    """What was heard over channels, and typed."""
    lesson = Lesson()
    for number, (text, came) in enumerate(measurements):
        for at, (channel, data) in enumerate(came):
            now = Moment(0, 5000 * number + at, "")
            lesson.hear(Chunk(data, now, channel, complete=packets))
        lesson.show(read_typed(text))
    return lesson


def two_channels() -> Evidence:
    """The value in characteristic "b", a counter and a state in "a", of which one is as long."""
    told = [
        (text, [("a", bytes([at, 7])), ("b", value.to_bytes(2, "big", signed=True)), ("a", bytes([at, 9]))])
        for at, (text, value) in enumerate(SHOWN)
    ]
    return lesson_of(*told).evidence()


def test_the_channel_of_the_value_is_found_and_named() -> None:
    """The description says over which channel the gauge sends, and the other channel makes no candidate."""
    outlook = search(two_channels(), KINDS)
    assert outlook.accepted is not None, outlook.reason
    assert outlook.accepted.channel == "b"
    assert 'write channel = "b" at the gauge' in outlook.accepted.description()
    assert {one.settings["number"] for one in outlook.classes} == {"signed"}


def test_a_capture_holds_all_that_came(tmp_path: Path) -> None:
    """The capture has every byte of every channel, and taught from again it gives the same description."""
    evidence = two_channels()
    accepted = search(evidence, KINDS).accepted
    assert accepted is not None
    text = accepted.capture("A gauge.", "For a test.")
    frames = read_capture(text)
    assert [(one.channel, one.data) for one in frames] == [
        (one.channel, one.data) for one in all_chunks(evidence)
    ]
    file = tmp_path / "bore.capture.toml"
    file.write_text(text, "utf-8")
    again = search(read_samples(file), KINDS).accepted
    assert again is not None
    assert (again.channel, again.settings) == ("b", accepted.settings)


def test_a_value_over_two_channels_is_read_over_one() -> None:
    """Where two channels carry it, one of them is taken, and the other is told of."""
    told = [
        (text, [("raw", value.to_bytes(2, "big", signed=True)), ("text", f"{value / 1000:+09.3f}".encode())])
        for text, value in SHOWN
    ]
    outlook = search(lesson_of(*told).evidence(), KINDS)
    assert outlook.accepted is not None, outlook.reason
    other = {"raw": "text", "text": "raw"}[outlook.accepted.channel]
    assert any(one.reads == f"comes over channel {other} too" for one in outlook.classes)


def test_no_channel_with_every_sample_is_told() -> None:
    """A gauge heard now here and now there is not put together from two halves."""
    told = [
        (text, [("ab"[at % 2], value.to_bytes(2, "big", signed=True))])
        for at, (text, value) in enumerate(SHOWN)
    ]
    outlook = search(lesson_of(*told).evidence(), KINDS)
    assert outlook.accepted is None
    assert "no channel" in outlook.reason


def beside(seed: int) -> tuple[Evidence, Evidence, str]:
    """A random gauge alone, the same with two others' traffic on channels beside it, and what it is."""
    dice = random.Random(seed)
    one, *others = (gauge(dice) for _ in range(3))
    alone, amid = Lesson(), Lesson()
    for number in range(5):
        seen = shown(one, dice)
        chunks = [Chunk(one.frame(seen), Moment(0, 5000 * number, ""), "own", complete=one.packets)]
        alone.hear(chunks[0])
        for at, other in enumerate(others):
            for _ in range(dice.randint(0, 3)):
                data = other.frame(shown(other, dice))
                chunks.append(Chunk(data, Moment(0, 5000 * number, ""), f"other {at}", complete=one.packets))
        dice.shuffle(chunks)
        for chunk in chunks:
            amid.hear(chunk)
        told = read_typed(typed(seen, dice))
        alone.show(told)
        amid.show(told)
    return alone.evidence(), amid.evidence(), one.what


def same(alone: Outlook, amid: Outlook) -> bool:
    """Whether other channels changed nothing."""
    if amid.accepted is None:
        return alone.accepted is None or amid.leading is not None
    return alone.accepted is not None and (amid.accepted.channel, amid.accepted.settings) == (
        "own",
        alone.accepted.settings,
    )


def hold(seeds: range) -> None:
    wrong, accepted = [], 0
    for seed in seeds:
        alone, amid, what = beside(seed)
        one, other = search(alone, KINDS), search(amid, KINDS)
        accepted += other.accepted is not None
        if not same(one, other):
            wrong.append(f"{seed}: {what}: {one.reason or one.accepted} and {other.reason or other.accepted}")
    assert not wrong, "\n".join(wrong)
    assert accepted > len(seeds) / 10


def test_other_channels_change_nothing() -> None:
    """What other gauges send over channels beside it changes no description and makes none."""
    hold(range(12))


@pytest.mark.attack
def test_other_channels_never_change_anything() -> None:
    """What other gauges send over channels beside hundreds of gauges changes no description and makes none."""
    hold(range(100, 400))


def test_a_written_channel_is_read_again() -> None:
    """Under the description the value's packets are read over their channel amid all the others."""
    accepted = search(two_channels(), KINDS).accepted
    assert accepted is not None
    decoder = KINDS[accepted.kind](KINDS[accepted.kind].Settings.model_validate(dict(accepted.settings)))
    events = [event for chunk in all_chunks(two_channels()) for event in decoder.feed(chunk)]
    values = [one.value for one in events if isinstance(one, Indication) and one.channel == "b"]
    assert values == [Decimal(value).scaleb(-3) for _, value in SHOWN]
