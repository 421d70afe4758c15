"""Every gauge on record is taught as if nobody knew it: its description is found right, or is not decided."""

from __future__ import annotations

import asyncio
import random
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Chunk, Decoded, Decoder, Indication, Moment, Temperature
from gaugepost.contract.kit import decoders
from gaugepost.edge.plugins import DECODERS, find, installed
from gaugepost.teach import Lesson, Outlook, Typed, as_texts, read_typed, search
from gaugepost_adapters.decoders.binary.settings import Settings as BinarySettings
from gaugepost_adapters.links.replay import ReplayLink
from tests.bench_tools import captures
from tests.bench_tools.captures import Capture, every

KINDS: dict[str, type[Decoder]] = {name: find(DECODERS, name) for name in installed(DECODERS)}
CAPTURES = every()
PAUSE_MS = 5000
MANY = 9
OPEN = {
    # The channel stands in the frame and changes with every measurement here: nothing typed explains it.
    "channel_prefix", "fixed_columns", "packed_digits",
    # Letters or places that tell both unit and width, or that no description of this kind can ignore.
    "comma_row", "spaced_row", "float_with_length",
    # No value of the other sign came, a counter in the frame, decimals that come and go.
    "integer_with_sum", "long_integer_in_silence", "thermometer_in_nibbles", "thermometer_two_scales",
}  # fmt: skip
"""Those that `MANY` measurements need not decide."""


def frames(capture: Capture, dice: random.Random) -> Iterator[tuple[bytes, Indication | Temperature]]:
    """Yield the capture's own frames that are a number, then others that its decoder reads as one, without end."""
    own = [(frame.data, list(frame.events)) for frame in capture.frames]
    yield from ((data, event) for data, events in own if (event := _number(events)))
    first = [data for data, events in own if _number(events)]
    while True:
        data = _changed(dice.choice(first), capture, dice)
        if event := _number(capture.hear(data)):
            yield data, event


def _number(events: list[Decoded]) -> Indication | Temperature | None:
    """The one number there is, where a display could show it and nothing is said beside it."""
    if len(events) != 1 or not isinstance(events[0], Indication | Temperature):
        return None
    value = events[0].value if isinstance(events[0], Indication) else events[0].celsius
    fine = len(value.as_tuple().digits) <= 8 and abs(value) < 10_000 and -int(value.as_tuple().exponent) <= 5
    return events[0] if fine else None


def _changed(data: bytes, capture: Capture, dice: random.Random) -> bytes:
    """The frame with a few digits or bytes changed, and with a right check where frames have one."""
    made = bytearray(data)
    text = all(32 <= byte < 127 or byte in b"\r\n\x02\x03" for byte in data)
    digits = [at for at, byte in enumerate(data) if chr(byte).isdecimal()] if text else list(range(len(data)))
    for at in dice.sample(digits, dice.randint(1, min(4, len(digits)))):
        nibbles = dice.randint(0, 9) << 4 | dice.randint(0, 9)
        made[at] = ord(dice.choice("0123456789")) if text else dice.choice([nibbles, dice.randrange(256)])
    if text and dice.random() < 0.4:
        made = bytearray(bytes(made).translate(bytes.maketrans(b"+-", b"-+")))
    settings = capture.checked
    if isinstance(settings, BinarySettings) and settings.check:
        end = len(made) - len(settings.end_bytes)
        body = bytes(made[settings.check.begins - 1 : end - settings.check.size])
        made[end - settings.check.size : end] = settings.check.function()(body)
    return bytes(made)


def as_typed(event: Indication | Temperature) -> Typed:
    """What the display showed."""
    if isinstance(event, Temperature):
        return read_typed(f"{event.celsius:f} °C")
    return read_typed(f"{event.value:f} {event.unit or ''}")


def lesson_of(capture: Capture, dice: random.Random, count: int) -> Lesson:
    """Measurements with the gauge of a capture."""
    lesson = Lesson(
        {"descriptor": capture.settings["descriptor"]} if "descriptor" in capture.settings else {}
    )
    for number, (data, event) in zip(range(count), frames(capture, dice), strict=False):
        lesson.hear(Chunk(data, Moment(0, PAUSE_MS * number, ""), "", complete=capture.packets))
        lesson.show(as_typed(event))
    return lesson


def wrong_of(outlook: Outlook, capture: Capture, dice: random.Random) -> tuple[int, list[str]]:
    """How many frames nobody measured it reads as the gauge's own decoder does, and those it reads otherwise."""
    assert outlook.accepted is not None
    right, wrong = 0, list[str]()
    for _, (data, event) in zip(range(60), frames(capture, dice), strict=False):
        made = made_of(outlook)
        events = [*made.feed(Chunk(data, Moment(0, 0, ""), "", complete=capture.packets)), *made.idle(60)]
        for one in events:
            if isinstance(one, Indication | Temperature):
                units = (
                    {one.unit, event.unit} - {None}
                    if isinstance(one, Indication) and isinstance(event, Indication)
                    else set()
                )
                same = _value(one) == _value(event) and len(units) < 2
                right += same
                wrong += [] if same else [f"{data!r}: {one} instead of {event}"]
    return right, wrong


def _value(event: Indication | Temperature) -> object:
    return event.value if isinstance(event, Indication) else event.celsius


def made_of(outlook: Outlook) -> Decoder:
    """The real decoder of what was accepted."""
    assert outlook.accepted is not None
    kind = KINDS[outlook.accepted.kind]
    return kind(kind.Settings.model_validate(dict(outlook.accepted.settings)))


def written(outlook: Outlook, folder: Path) -> tuple[dict[str, Any], Path]:
    """The settings of the written description, and the path of the written capture."""
    assert outlook.accepted is not None
    description, capture = as_texts(outlook.accepted, "unknown")
    (folder / "unknown.toml").write_text(capture, "utf-8")
    return tomllib.loads(description), folder / "unknown.toml"


EACH = pytest.mark.parametrize("capture", CAPTURES, ids=lambda capture: capture.name)


@EACH
def test_every_gauge_on_record_is_taught_right_or_not_decided(capture: Capture) -> None:
    """Nine measurements decide it or not; decided, it reads as the gauge's own decoder whatever it sends then."""
    dice = random.Random(capture.name)
    outlook = search(lesson_of(capture, dice, MANY).evidence(), KINDS)
    assert (outlook.accepted is not None) or capture.name in OPEN, outlook.reason
    if outlook.accepted is None:
        assert outlook.reason
        return
    right, wrong = wrong_of(outlook, capture, dice)
    assert not wrong, f"{dict(outlook.accepted.settings)}: {wrong[0]}"
    assert right


@pytest.mark.attack
@EACH
def test_a_written_capture_proves_its_description(capture: Capture, tmp_path: Path) -> None:
    """What is written is a capture as those on record are: whole, cut and amid garbage it gives what it says."""
    outlook = search(lesson_of(capture, random.Random(capture.name), MANY).evidence(), KINDS)
    if outlook.accepted is None:
        assert capture.name in OPEN
        return
    settings, file = written(outlook, tmp_path)
    proof = captures._load(file)
    assert {"kind": proof.decoder, **proof.settings} == settings
    assert [frame.events[-1].raw for frame in proof.frames] == [frame.data for frame in proof.frames]
    if settings.get("framing") == "silence":
        proof = replace(proof, pause=1.0)
    decoders.check_decoder(proof.make, proof.samples)


@pytest.mark.attack
@EACH
def test_a_gauge_on_record_is_never_taught_wrong(capture: Capture) -> None:
    """Whichever four to seven measurements they are, no gauge on record gets a description that reads it wrong."""
    for seed in range(4):
        dice = random.Random(f"{capture.name} {seed}")
        outlook = search(lesson_of(capture, dice, dice.randint(4, 7)).evidence(), KINDS)
        if outlook.accepted:
            _, wrong = wrong_of(outlook, capture, dice)
            assert not wrong, f"{dict(outlook.accepted.settings)}: {wrong[0]}"


@pytest.mark.asyncio
@pytest.mark.parametrize("name", ["deviation", "report_by_usage"])
async def test_a_written_capture_replays_into_its_description(name: str, tmp_path: Path) -> None:
    """Through the link that replays captures, the written description reads what the display showed, all of it."""
    capture = next(one for one in CAPTURES if one.name == name)
    lesson = lesson_of(capture, random.Random(name), MANY)
    outlook = search(lesson.evidence(), KINDS)
    settings, file = written(outlook, tmp_path)
    kind = KINDS[settings.pop("kind")]
    decoder = kind(kind.Settings.model_validate(settings))
    link = ReplayLink(
        ReplayLink.Settings.model_validate({"file": str(file), "speed": 1000}), lambda: Moment(0, 0, "")
    )
    await link.open()
    shown: list[str] = []
    try:
        async with asyncio.timeout(30):
            async for chunk in link.chunks():
                events = decoder.feed(chunk)
                shown += [
                    f"{one.value:f} {one.unit or ''}".strip() for one in events if isinstance(one, Indication)
                ]
                if len(shown) == len(lesson.samples):
                    break
    finally:
        await link.close()
    unit = outlook.accepted.settings.get("unit", "") if outlook.accepted else ""
    assert [read_typed(one).value for one in shown] == [one.typed.value for one in lesson.samples]
    assert unit in ("", "mm")
