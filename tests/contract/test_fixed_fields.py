"""The decoder of fixed places: what stands where, settings it refuses, and how frames are told apart without an end."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost.contract import BadFrame, Chunk, Condition, Decoded, Indication, Unit
from gaugepost.contract.kit import decoders
from gaugepost_adapters.decoders.fixed_fields import FixedFields
from gaugepost_adapters.decoders.fixed_fields_settings import Settings
from tests.bench_tools.captures import Capture, every

Told = dict[str, Any]
LINE: Told = {"fields": {"sign": 1, "digits": "2-7"}}
NIBBLES: Told = {
    "cells": "nibbles-high-first",
    "framing": "packet",
    "implied_decimals": 2,
    "fields": {"digits": "1-6"},
}


def make(settings: Told) -> FixedFields:
    return FixedFields(Settings.model_validate_json(json.dumps(settings), strict=True))


def decode(data: bytes, **settings: Any) -> list[Decoded]:
    return decoders.decode(make(settings), [data])


def packet(data: bytes, **settings: Any) -> list[Decoded]:
    return decoders.decode(make(settings), [data], complete=True)


@pytest.mark.parametrize(
    ("frame", "settings", "shown"),
    [
        (b"+12.345", LINE, "+12.345"),
        (b"-00.004", LINE, "-00.004"),
        (b"+.12345", LINE, "+.12345"),
        (b"+12345.", LINE, "+12345."),
        (b"  12.30", {"pad": True, "fields": {"digits": "1-7"}}, "12.30"),
        (b" -12.30", {"pad": True, "fields": {"digits": "1-7"}}, "-12.30"),
        (b"-  12,3", {"pad": True, "decimal_sign": ",", **LINE}, "-12.3"),
        (b"+001234", {"implied_decimals": 3, **LINE}, "+001.234"),
        (b"+001234", {"implied_decimals": 0, **LINE}, "+001234"),
        (b"-000012", {"implied_decimals": 9, **LINE}, "-0.000000012"),
        (b"2+12345", {"fields": {"point": 1, "sign": 2, "digits": "3-7"}}, "+123.45"),
        (b"M+12345", {"fields": {"point": 1, "sign": 2, "digits": "3-7"}, "points": {"M": 4}}, "+1.2345"),
        (b"54321+0", {"fields": {"digits": "5-1", "sign": 6, "point": 7}}, "+12345"),
        (
            b"12x345-",
            {"implied_decimals": 1, "fields": {"digits": "1-2,4-6", "fixed": {"3": "x"}, "sign": 7}},
            "-1234.5",
        ),
    ],
)
def test_digits_are_read_as_the_gauge_shows_them(frame: bytes, settings: Told, shown: str) -> None:
    """The sign in front, every digit kept, a point where the gauge has it."""
    (event,) = decode(frame + b"\r\n", **settings)
    assert isinstance(event, Indication), event
    assert event.text == shown
    assert event.value == Decimal(shown)


@pytest.mark.parametrize(
    ("frame", "word"),
    [
        (b"+12.34", "6 characters, not the 7"),
        (b"+12.3456", "8 characters, not the 7"),
        (b"+1234567"[:7], "is no number"),
        (b"+1 .345", "is no number"),
        (b"+12.34a", "is no number"),
        (b"+1.2.34", "is no number"),
        (b"++2.345", "is no number"),
        (b"+12,345", "is no number"),
        (b"+1\xb2.345", "is no number"),
        (b"+.....1", "is no number"),
        (b" 12.345", "no sign that the settings know"),
        (b"", "characters, not the 7"),
    ],
)
def test_what_does_not_fit_its_place_is_a_bad_frame(frame: bytes, word: str) -> None:
    """A frame one place short, a digit that is none, a second point: never a number."""
    (event,) = decode(frame + b"\r\n", **LINE)
    assert isinstance(event, BadFrame)
    assert word in event.reason
    assert event.raw == frame + b"\r\n"


@given(st.text("0123456789ABCDEF", min_size=8, max_size=8))
def test_the_two_nibble_orders_are_each_others_swap(cells: str) -> None:
    """The same places come of bytes with their halves exchanged: worked out apart, a byte at a time."""
    high = bytes(int(cells[at : at + 2], 16) for at in range(0, 8, 2))
    low = bytes((byte & 15) << 4 | byte >> 4 for byte in high)
    settings = {**NIBBLES, "fields": {"digits": "1-6", "ignored": "7-8"}}
    (one,) = packet(high, **settings)
    (other,) = packet(low, **settings | {"cells": "nibbles-low-first"})
    if cells[:6].isdecimal():
        assert isinstance(one, Indication)
        assert isinstance(other, Indication)
        assert one.text == other.text == f"{cells[:4]}.{cells[4:6]}"
    else:
        assert isinstance(one, BadFrame)
        assert isinstance(other, BadFrame)


def test_unit_channel_and_status_come_from_their_places() -> None:
    """Each is looked up as it stands; one that the settings do not know makes a bad frame."""
    settings: Told = {
        "fields": {"channel": 1, "digits": "2-4", "unit": 5, "status": 6},
        "units": {"M": "mm", "I": "in"},
        "statuses": {
            "N": {"value_holds": True},
            "B": {"meaning": "battery low", "value_holds": True},
            "O": {"meaning": "out of range", "ends_mastering": True},
        },
    }
    assert decode(b"A1.5MN\r\n", **settings) == [
        Indication("1.5", Decimal("1.5"), Unit.MM, b"A1.5MN\r\n", "A")
    ]
    assert decode(b"A1.5IB\r\n", **settings) == [
        Condition("B", "battery low", b"", "A"),
        Indication("1.5", Decimal("1.5"), Unit.INCH, b"A1.5IB\r\n", "A"),
    ]
    assert decode(b"A---MO\r\n", **settings) == [Condition("O", "out of range", b"A---MO\r\n", "A", True)]
    for frame in (b"A1.5XN\r\n", b"A1.5MX\r\n", b"A---MN\r\n"):
        (event,) = decode(frame, **settings)
        assert isinstance(event, BadFrame)


LENGTH: Told = {
    "cells": "nibbles-high-first",
    "framing": "length",
    "start": "FFFF",
    "implied_decimals": 3,
    "fields": {"digits": "5-10"},
}
FRAME = bytes.fromhex("FF FF 01 23 45")


@given(
    st.lists(st.integers(0, 255), max_size=3),
    st.integers(0, 4),
    st.sampled_from(["lost", "added", "changed"]),
)
def test_a_byte_lost_added_or_changed_costs_one_frame(noise: list[int], at: int, how: str) -> None:
    """The next frame is found behind its own start mark, and every byte is accounted for."""
    hit = {
        "lost": FRAME[:at] + FRAME[at + 1 :],
        "added": FRAME[:at] + bytes(noise) + FRAME[at:],
        "changed": FRAME[:at] + bytes(noise[:1]) + FRAME[at + 1 :],
    }[how]
    data = FRAME + hit + FRAME + FRAME
    decoder = make(LENGTH)
    events = [*decoders.decode(decoder, [data]), *decoder.idle(60)]
    assert b"".join(event.raw for event in events) == data
    assert events[0].raw == FRAME
    assert events[-1].raw == FRAME
    assert sum(isinstance(event, Indication) and event.raw == FRAME for event in events) >= 3


def test_a_flood_of_start_marks_is_bounded_bad_frames() -> None:
    """Start marks without end give pieces as long as a frame, not one for each byte, and the next frame is read."""
    for size in (10, 4096, 20_000):
        decoder = make(LENGTH)
        events = decoders.decode(decoder, [b"\xff" * size + b"\x00" + FRAME])
        assert len(events) <= size // 5 + 3
        assert isinstance(events[-1], Indication)
        assert b"".join(event.raw for event in events) == b"\xff" * size + b"\x00" + FRAME


def test_a_stream_where_packets_are_frames_is_no_frame() -> None:
    """Without a packet's edges nobody can tell where such a frame begins."""
    decoder = make(NIBBLES)
    assert decoders.decode(decoder, [b"\x01", b"\x23", b"\x45"]) == []
    (bad,) = decoder.idle(60)
    assert bad == BadFrame("bytes of a stream, where each packet is a frame", b"\x01\x23\x45")
    assert isinstance(packet(b"\x01\x23\x45", **NIBBLES)[0], Indication)
    assert isinstance(packet(b"\x01\x23\x45" * 2, **NIBBLES)[0], BadFrame)


def test_silence_ends_a_frame_that_has_nothing_else() -> None:
    """A burst is read when the line has been silent, not before; two bursts run together are a bad frame."""
    decoder = make({**NIBBLES, "framing": "silence", "silence": 0.5})
    assert decoders.decode(decoder, [b"\x01", b"\x23", b"\x45"]) == []
    assert decoder.idle(0.4) == []
    (good,) = decoder.idle(0.5)
    assert isinstance(good, Indication)
    assert good.text == "0123.45"
    assert decoder.idle(1.0) == []
    decoders.decode(decoder, [b"\x01\x23\x45", b"\x01\x23\x45"])
    (bad,) = decoder.idle(0.5)
    assert bad.raw == b"\x01\x23\x45" * 2
    assert isinstance(bad, BadFrame)
    decoders.decode(decoder, [b"\x01" * 4097])
    pieces = decoder.idle(0.5)
    assert [event.raw for event in pieces] == [b"\x01"]


@given(
    st.binary(max_size=300),
    st.sampled_from([each for each in every() if each.decoder != "delimited_text"]),
    st.booleans(),
)
def test_any_bytes_give_a_known_answer_that_accounts_for_each(
    data: bytes, pick: Capture, packets: bool
) -> None:
    """Whatever bytes come, each is in exactly one event's raw, and nothing but the contract's events comes."""
    decoder = pick.make()
    events = decoders.decode(decoder, [data], complete=packets)
    events += [*decoder.idle(60), *decoder.reset()]
    for event in events:
        decoders.check_event(event)
    assert b"".join(event.raw for event in events) == data


@given(
    st.binary(max_size=200), st.sampled_from([each for each in every() if each.decoder != "delimited_text"])
)
def test_a_frame_means_the_same_read_again_from_its_raw(data: bytes, pick: Capture) -> None:
    """Each number's raw, alone in a packet, gives that number again: readings can be re-derived."""
    frames = [frame.data for frame in pick.frames]
    for event in pick.hear(data + frames[0] + data[:3] + frames[-1]):
        if isinstance(event, Indication):
            assert pick.make().feed(Chunk(event.raw, decoders.MOMENT, complete=True))[-1] == event


def test_settings_survive_the_journal() -> None:
    """Written out with every default, as the journal keeps them, settings are read again as the same."""
    for capture in every():
        if capture.decoder == "fixed_fields":
            settings = Settings.model_validate(capture.settings)
            assert Settings.model_validate_json(settings.model_dump_json()) == settings


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({"fields": {"sign": 1, "digits": "3-7"}}, "character 2 has no meaning"),
        ({"fields": {"sign": 2, "digits": "2-7"}}, "character 2 is taken by"),
        ({**LINE, "start": "\u0002"}, "character 1 is taken by start"),
        ({"fields": {"sign": 1}}, "Field required"),
        ({**LINE, "terminator": ""}, "is empty"),
        ({**LINE, "terminator": "0"}, "numbers are made of"),
        ({**LINE, "errors": {"E\r\n": {"meaning": "m"}}}, "stands inside the frame too"),
        ({**LINE, "framing": "length"}, "where a frame begins"),
        ({**LINE, "implied_decimals": 3, "decimal_sign": ","}, "no decimal sign is sent"),
        ({"fields": {"point": 1, "digits": "2-7"}, "implied_decimals": 3}, "given twice"),
        ({"fields": {"point": 1, "digits": "2-7"}, "points": {"0": 12}}, "12 decimals can't be"),
        ({"fields": {"point": "1-2", "digits": "3-7"}}, "is missing: fields.point has 2 places"),
        ({**LINE, "signs": {"++": "+"}}, "does not fill fields.sign"),
        ({"fields": {"digits": "1-7"}, "signs": {" ": "+"}}, "nothing stands at fields.sign"),
        ({"fields": {"digits": "1-7", "unit": 8}}, "is missing, to say what stands at fields.unit"),
        ({**LINE, "units": {"M": "mm"}}, "nothing stands at fields.unit"),
        ({"fields": {"digits": "1-7", "unit": 8}, "units": {"M": "cm"}}, "not a unit of length"),
        ({"fields": {"digits": "1-7", "fixed": {"8-9": "x"}}}, "does not fill 8-9"),
        ({**NIBBLES, "framing": "terminator"}, "nibbles can hold the bytes of a terminator"),
        ({**NIBBLES, "implied_decimals": None}, "nibbles have no decimal sign"),
        ({**NIBBLES, "pad": True}, "nibbles have no spaces"),
        ({**NIBBLES, "fields": {"digits": "1-5"}}, "a frame has 5 nibbles"),
        ({**NIBBLES, "fields": {"digits": "1-5", "sign": 6}}, r"nibbles have no \+ and -"),
        ({**NIBBLES, "fields": {"digits": "1-5", "fixed": {"6": "x"}}}, "no run of nibbles"),
        ({**NIBBLES, "errors": {"ABC": {"meaning": "m"}}}, "in the middle of a byte"),
        ({**LENGTH, "start": "FF", "fields": {"digits": "3-8"}}, "alone can stand inside a frame too"),
        ({**LENGTH, "errors": {"EE": {"meaning": "m"}}}, "not as long as a frame"),
        ({**LINE, "cells": "bits"}, "nibbles-high-first"),
        ({**LINE, "baud": 9600}, "not permitted"),
    ],
)
def test_settings_that_contradict_themselves_are_told_offline(settings: Told, word: str) -> None:
    """Every contradiction is found before a byte comes."""
    with pytest.raises(ValidationError, match=word):
        make(settings)
