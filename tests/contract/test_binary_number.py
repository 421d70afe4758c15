"""The binary decoder: exact numbers from bytes, settings it refuses, what no bytes can make it do."""

from __future__ import annotations

import json
import struct
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost.contract import BadFrame, Chunk, Condition, Decoded, Indication
from gaugepost.contract.kit import decoders
from gaugepost_adapters.decoders.binary.number import BinaryNumber
from gaugepost_adapters.decoders.binary.numbers import float_text
from gaugepost_adapters.decoders.binary.settings import Settings
from tests.bench_tools.captures import every

ONE = Decimal(1)
Told = dict[str, Any]


def told(**settings: Any) -> Told:
    return {
        "framing": "packet",
        "number": "signed",
        "order": "high-first",
        "fields": {"value": "1-4"},
        **settings,
    }


def decode(data: bytes, **settings: Any) -> list[Decoded]:
    given_ = json.dumps(told(**settings))
    decoder = BinaryNumber(Settings.model_validate_json(given_, strict=True))
    return decoders.decode(decoder, [data], complete=True)


def text(data: bytes, **settings: Any) -> str:
    (event,) = decode(data, **settings)
    assert isinstance(event, Indication), event
    return event.text


def reason(data: bytes, **settings: Any) -> str:
    (event,) = decode(data, **settings)
    assert isinstance(event, BadFrame), event
    assert event.raw == data
    return event.reason


@given(st.integers(1, 8), st.booleans(), st.booleans(), st.data())
def test_integers_of_every_width_are_exact(size: int, signed: bool, low: bool, data: st.DataObject) -> None:
    """One to eight bytes, signed or not, in either order, give the integer that was put into them."""
    bits = 8 * size
    number = data.draw(
        st.integers(-(1 << bits - 1), (1 << bits - 1) - 1) if signed else st.integers(0, (1 << bits) - 1)
    )
    sent = number.to_bytes(size, "little" if low else "big", signed=signed)
    shown = text(
        sent,
        number="signed" if signed else "unsigned",
        order="low-first" if low else "high-first",
        fields={"value": f"1-{size}"},
    )
    assert shown == str(number)


@pytest.mark.parametrize(
    ("multiplier", "number", "shown"),
    [
        ("0.001", 12340, "12.340"),
        ("0.0010", 12340, "12.340"),
        ("0.001", -5, "-0.005"),
        ("0.001", 0, "0.000"),
        ("0.0005", 3, "0.0015"),
        ("1", 7, "7"),
        ("10", 7, "70"),
        ("100", -7, "-700"),
        ("1.5", 3, "4.5"),
        ("25.4", 10, "254.0"),
    ],
)
def test_a_multiplier_is_exact_and_sets_the_resolution(multiplier: str, number: int, shown: str) -> None:
    """The product is shown to the multiplier's last digit, no more and no fewer, worked out by hand."""
    assert text(struct.pack(">i", number), multiplier=multiplier) == shown


def test_more_digits_than_any_gauge_shows_are_a_bad_frame() -> None:
    """The largest 64-bit integer times a fine multiplier is refused rather than cut."""
    sent = b"\xff" * 8
    settings = {"number": "unsigned", "fields": {"value": "1-8"}, "multiplier": "1.5"}
    assert "more than 20 digits" in reason(sent, **settings)
    assert text(sent, **(settings | {"multiplier": "1"})) == "18446744073709551615"


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(0, 6), st.booleans())
def test_a_float_is_rounded_once_half_to_even_or_refused(value: float, decimals: int, single: bool) -> None:
    """What is shown is the step nearest to the exact binary number, ties to even, where the float holds that step."""
    if single:
        try:
            value = struct.unpack("<f", struct.pack("<f", value))[0]
        except OverflowError:
            return
    sent = struct.pack("<f" if single else "<d", value)
    (event,) = decode(
        sent,
        number="float",
        order="low-first",
        fields={"value": f"1-{len(sent)}"},
        resolution=str(ONE.scaleb(-decimals)),
    )
    steps = Fraction(value) * 10**decimals
    if isinstance(event, Indication):
        # Fraction's round is half to even, on the exact value (Python's library reference, numbers.Rational).
        assert Fraction(event.text) * 10**decimals == round(steps)
        assert event.resolution == ONE.scaleb(-decimals)
    else:
        # 24 and 53 bits of significand (IEEE 754-2019, table 3.5): beyond these steps, neighbours are a step apart.
        assert isinstance(event, BadFrame)
        assert abs(steps) >= 2 ** (23 if single else 52)


@given(st.integers(-999_999, 999_999), st.integers(0, 5))
def test_six_digits_survive_a_single(number: int, decimals: int) -> None:
    """Six decimal digits put into a single come back the same (FLT_DIG, ISO/IEC 9899:2011, 5.2.4.2.2)."""
    shown = Decimal(number).scaleb(-decimals)
    back = float_text(struct.pack(">f", float(shown)), "high-first", ONE, ONE.scaleb(-decimals))
    assert Decimal(back) == shown


@given(st.integers(-(10**15) + 1, 10**15 - 1), st.integers(0, 9))
def test_fifteen_digits_survive_a_double(number: int, decimals: int) -> None:
    """Fifteen decimal digits put into a double come back the same (DBL_DIG, ISO/IEC 9899:2011, 5.2.4.2.2)."""
    shown = Decimal(number).scaleb(-decimals)
    back = float_text(struct.pack("<d", float(shown)), "low-first", ONE, ONE.scaleb(-decimals))
    assert Decimal(back) == shown


@pytest.mark.parametrize(
    ("value", "shown"), [(0.5, "0"), (1.5, "2"), (2.5, "2"), (-0.5, "-0"), (-1.5, "-2"), (3.4999, "3")]
)
def test_ties_of_a_float_go_to_even(value: float, shown: str) -> None:
    """Halves, which binary holds exactly, go to the even step (ISO 80000-1:2009, annex B, rule A)."""
    assert text(struct.pack(">f", value), number="float", resolution="1") == shown


def test_a_float_that_does_not_hold_its_step_is_a_bad_frame() -> None:
    """A single of 200 has steps of 1.5e-5: six decimals would be digits that nobody measured."""
    settings = {"number": "float", "resolution": "0.00001"}
    assert "does not hold a step of 0.00001" in reason(struct.pack(">f", 200.0), **settings)
    assert text(struct.pack(">f", 100.0), **settings) == "100.00000"


@pytest.mark.parametrize("bits", ["7FC00000", "7F800000", "FF800000", "7F800001", "FFFFFFFF"])
def test_what_is_no_number_is_a_condition_or_a_bad_frame(bits: str) -> None:
    """Quiet and signalling not-a-numbers and both infinities are never a length."""
    settings = {"number": "float", "resolution": "0.001"}
    assert "is no number" in reason(bytes.fromhex(bits), **settings)
    (event,) = decode(
        bytes.fromhex(bits), **settings, not_a_number={"meaning": "no probe", "ends_mastering": True}
    )
    assert event == Condition("not a number", "no probe", bytes.fromhex(bits), "", True)


@pytest.mark.parametrize(
    ("sent", "settings", "shown"),
    [
        ("00 12 34 5C", {"sign_nibble": "last"}, "0012345"),
        ("00 12 34 5D", {"sign_nibble": "last"}, "-0012345"),
        ("D0 12 34 56", {"sign_nibble": "first"}, "-0123456"),
        ("5D 34 12 00", {"sign_nibble": "last", "order": "low-first"}, "-0012345"),
        ("80 12 34 56", {"sign_bit": {"place": 1, "bit": 7}}, "-00123456"),
        ("C0 12 34 56", {"sign_bit": {"place": 1, "bit": 7}}, "-40123456"),
        ("00 12 34 56", {"sign_bit": {"place": 1, "bit": 7}}, "00123456"),
        ("00 12 34 56", {"multiplier": "0.0001"}, "0012.3456"),
        ("00 12 34 56", {"multiplier": "0.0000000001"}, "0.0000123456"),
        ("00 12 34 56", {"multiplier": "0.5"}, "61728.0"),
        ("00 12 34 5A", {"sign_nibble": "last", "signs": {"A": "-"}}, "-0012345"),
    ],
)
def test_packed_digits_are_read_as_they_stand(sent: str, settings: Told, shown: str) -> None:
    """Digits, their leading zeros, and a sign in a nibble or a bit come out as they would be shown."""
    assert text(bytes.fromhex(sent), number="bcd", **settings) == shown


@pytest.mark.parametrize(
    ("sent", "settings", "word"),
    [
        ("00 12 3A 56", {}, "no run of decimal digits"),
        ("00 12 34 5E", {"sign_nibble": "last"}, "no sign that the settings know"),
    ],
)
def test_packed_digits_that_are_none_are_a_bad_frame(sent: str, settings: Told, word: str) -> None:
    """A nibble beyond 9 is no digit, and an unknown sign no sign."""
    assert word in reason(bytes.fromhex(sent), number="bcd", **settings)


def test_a_sign_bit_makes_an_unsigned_number_negative() -> None:
    """Sign and magnitude: the bit is no part of the number, wherever it stands."""
    settings: Told = {
        "number": "unsigned",
        "sign_bit": {"place": 5, "bit": 0},
        "fields": {"value": "1-4", "ignored": 5},
    }
    assert text(b"\x00\x00\x00\x07\x01", **settings) == "-7"
    assert text(b"\x00\x00\x00\x07\xfe", **settings) == "7"


BITS = {
    "fields": {"value": "1-4", "status": 5},
    "status_bits": {
        "0": {"meaning": "battery low", "then": "value-holds"},
        "1": {"meaning": "too fast", "then": "no-value", "ends_mastering": True},
        "7": {"meaning": "not valid", "when": 0, "then": "bad-frame"},
    },
    "ignored_bits": [6],
}


def test_status_bits_say_what_becomes_of_the_value() -> None:
    """A bit lets the value stand, takes its place or spoils the frame, and each byte belongs to one event."""
    frame = b"\x00\x00\x00\x05"
    low = Condition("bit 0", "battery low", b"")
    assert decode(frame + b"\x80", **BITS) == [Indication("5", Decimal(5), None, frame + b"\x80")]
    assert decode(frame + b"\xc1", **BITS) == [low, Indication("5", Decimal(5), None, frame + b"\xc1")]
    assert decode(frame + b"\x83", **BITS) == [low, Condition("bit 1", "too fast", frame + b"\x83", "", True)]
    assert reason(frame + b"\x03", **BITS) == "bit 7 of the status: not valid"


def test_a_status_bit_that_nobody_named_is_a_bad_frame() -> None:
    """It might say that the value is none."""
    assert "bit 5 of the status is set" in reason(b"\x00\x00\x00\x05\xa0", **BITS)


@pytest.mark.parametrize("at", range(9))
def test_a_check_finds_every_changed_byte(at: int) -> None:
    """A frame with any one byte changed is a bad frame, on a stream and in a packet."""
    good = bytes.fromhex("02 10 40 E2 01 00 80 B3 03")
    settings = told(
        framing="length",
        start="02",
        terminator="03",
        order="low-first",
        fields={"fixed": {"2": "10"}, "value": "3-6", "ignored": 7},
        check={"kind": "sum", "begins": 2},
    )
    for change in (1, 0x80, 0xFF):
        bad = good[:at] + bytes([good[at] ^ change]) + good[at + 1 :]
        decoder = BinaryNumber(Settings.model_validate(settings))
        events = [*decoders.decode(decoder, [bad]), *decoder.idle(60)]
        events += decoder.feed(Chunk(bad, decoders.MOMENT, complete=True))
        assert events
        assert all(isinstance(event, BadFrame) for event in events), events


def test_a_lost_byte_costs_the_frame_it_hit_and_no_other() -> None:
    """Without its check a frame is none, and the next start mark, inside it or not, is tried."""
    good = bytes.fromhex("02 10 40 E2 01 00 80 B3 03")
    settings = told(
        framing="length",
        start="02",
        terminator="03",
        order="low-first",
        fields={"fixed": {"2": "10"}, "value": "3-6", "ignored": 7},
        check={"kind": "sum", "begins": 2},
    )
    for lost in range(len(good)):
        decoder = BinaryNumber(Settings.model_validate(settings))
        cut = good[:lost] + good[lost + 1 :]
        events = decoders.decode(decoder, [good + cut + good + good])
        assert [event.raw for event in events if isinstance(event, Indication)] == [good] * 3
        assert b"".join(event.raw for event in events) == good + cut + good + good


def test_a_false_start_that_says_a_great_length_costs_no_frame() -> None:
    """What stands behind a start mark that led nowhere is read when the line falls silent, or as soon as that shows."""
    capture = next(each for each in every() if each.name == "float_with_length")
    false, good = bytes.fromhex("A5 5A 15"), capture.frames[0].data
    decoder = capture.make()
    assert decoders.decode(decoder, [false, good]) == []
    assert decoder.idle(60) == [BadFrame("bytes before the start mark", false), *capture.frames[0].events]
    assert decoder.reset() == []
    events = decoders.decode(decoder, [false + good * 2])
    assert [event for event in events if not isinstance(event, BadFrame)] == [*capture.frames[0].events] * 2
    assert b"".join(event.raw for event in events) == false + good * 2


@pytest.mark.parametrize("length", [0, 8, 10, 22, 255])
def test_a_length_that_the_frame_does_not_have_is_a_bad_frame(length: int) -> None:
    """The length is part of the proof: longer, shorter or none, the frame is bad and says why."""
    capture = next(each for each in every() if each.name == "float_with_length")
    frame = capture.frames[0].data
    (event,) = decoders.decode(capture.make(), [frame[:2] + bytes([length]) + frame[3:]], complete=True)
    assert isinstance(event, BadFrame)


def test_settings_survive_the_journal() -> None:
    """Written out with every default, as the journal keeps them, settings are read again as the same."""
    settings = Settings.model_validate(
        told(fields={"value": "3-6", "fixed": {"1-2": "aa 55"}}, errors={"80 00 00 00": {"meaning": "m"}})
    )
    assert Settings.model_validate_json(settings.model_dump_json()) == settings


STREAM = {"framing": "length", "start": "AA 55", "fields": {"value": "3-6"}}


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({"fields": {"value": "2-4"}}, "byte 1 has no meaning"),
        ({"fields": {"value": "1-4", "unit": 4}, "units": {"00": "mm"}}, "byte 4 is taken by value"),
        ({**STREAM, "fields": {"value": "2-5"}}, "byte 2 is taken by start"),
        ({"fields": {"value": "0-4"}}, "beyond any frame"),
        ({"fields": {"value": "1-300"}}, "beyond any frame"),
        ({"fields": {"value": "one"}}, "no place"),
        ({"fields": {"value": "1-4,2"}}, "names a place twice"),
        ({"fields": {"value": "1-9"}}, "9 bytes are too many"),
        ({"framing": "length"}, "where a frame begins"),
        ({**STREAM, "start": "AA", "fields": {"value": "2-5"}}, "alone can stand inside"),
        ({"start": "A"}, "is not bytes"),
        ({"start": "GG"}, "is not bytes"),
        ({"number": "float"}, "a float has no digits of its own"),
        ({"number": "float", "resolution": "0.0005"}, "no power of ten"),
        ({"number": "float", "resolution": "0.1", "fields": {"value": "1-3"}}, "4 or 8 bytes, not 3"),
        ({"resolution": "0.1"}, "belongs to a float"),
        ({"not_a_number": {"meaning": "m"}}, "belongs to a float"),
        ({"multiplier": "1e-3"}, "not a plain number"),
        ({"multiplier": "0"}, "not more than zero"),
        ({"multiplier": "-1"}, "not more than zero"),
        ({"sign_nibble": "last"}, "belongs to packed decimal digits"),
        ({"sign_bit": {"place": 1, "bit": 7}}, "has a sign already"),
        ({"number": "unsigned", "sign_bit": {"place": 9, "bit": 7}}, "beyond the frame"),
        ({"units": {"00": "mm"}}, "nothing stands at fields.unit"),
        ({"fields": {"value": "1-4", "unit": 5}}, "is missing"),
        ({"fields": {"value": "1-4", "unit": 5}, "units": {"0000": "mm"}}, "does not fill fields.unit"),
        ({"fields": {"value": "1-4", "unit": 5}, "units": {"00": "cm"}}, "not a unit of length"),
        (
            {"fields": {"value": "1-4", "unit": 5}, "units": {"00": "mm"}, "unit": "mm"},
            "read from the frame too",
        ),
        ({"fields": {"value": "1-4", "status": 5}}, "one of statuses and status_bits is needed"),
        ({**BITS, "ignored_bits": [0]}, "no bit of the status"),
        ({"ignored_bits": [0]}, "nothing stands at fields.status"),
        ({"errors": {"00": {"meaning": "m"}}}, "does not fill fields.value"),
        ({"fields": {"value": "1-4", "fixed": {"5": "0102"}}}, "does not fill 5"),
        ({"longest": 20}, "no frame says its length"),
        ({"fields": {"value": "1-4", "length": 5}, "longest": 3}, "shorter than the fields"),
        ({"check": {"kind": "sum", "begins": 9}}, "would cover nothing"),
        ({"quantity": "temperature"}, "needs its scale"),
        ({"baud": 9600}, "not permitted"),
    ],
)
def test_settings_that_contradict_themselves_are_told_offline(settings: Told, word: str) -> None:
    """Every contradiction is found before a byte comes."""
    with pytest.raises(ValidationError, match=word):
        Settings.model_validate(told(**settings))
