"""The text decoder: settings it refuses, how it reads what captures do not show, what no bytes can make it do."""

from __future__ import annotations

import importlib
import itertools
import re
import resource
import subprocess
import sys
from collections.abc import Iterator
from decimal import Decimal

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost.contract import BadFrame, Chunk, Condition, Decoded, Indication, Temperature, Unit
from gaugepost.contract.kit import decoders
from gaugepost_adapters.decoders.delimited_settings import Settings
from gaugepost_adapters.decoders.delimited_text import DelimitedText
from tests.bench_tools.captures import Capture, every

# How the standard library takes a pattern apart: no stub file knows these modules.
codes, parser = importlib.import_module("re._constants"), importlib.import_module("re._parser")

CAPTURES = [capture for capture in every() if capture.decoder == "delimited_text"]


def _decoder(**settings: object) -> DelimitedText:
    return DelimitedText(Settings.model_validate(settings))


def _decode(data: bytes, **settings: object) -> list[Decoded]:
    return decoders.decode(_decoder(**settings), [data])


def _reasons(events: list[Decoded]) -> list[str]:
    assert all(isinstance(event, BadFrame) for event in events), events
    return [event.reason for event in events if isinstance(event, BadFrame)]


VALUE = {"pattern": "{value}", "terminator": "\r"}


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({}, "one of pattern and fields is needed"),
        ({"pattern": "{value}", "fields": {"count": 1, "value": 1}}, "one of pattern and fields is needed"),
        ({"pattern": "mm"}, r"needs a \{value\}"),
        ({"pattern": "{value?}"}, r"needs a \{value\}"),
        ({"pattern": "{number}{value}"}, r"\{number\} is not a hole"),
        ({"pattern": "{value:7"}, "write holes as"),
        ({"pattern": "{value:5-2}"}, "width that can't be"),
        ({"pattern": "{value:0}"}, "width that can't be"),
        ({"pattern": "{value}{value}"}, "stands twice"),
        ({"pattern": "{sign:1}{value}"}, "takes no width"),
        ({"pattern": "{channel}{value}"}, "read in two ways"),
        ({"pattern": "{skip}{value}", "prefix": "", "suffix": "0"}, "read in two ways"),
        ({"pattern": "{value} mm", "pad": True}, "read in two ways"),
        ({"pattern": "{value}{unit?}m", "units": {"m": "mm", "mm": "mm"}}, "read in two ways"),
        ({"pattern": "{sign?}{value}", "signs": {"0": "+", "1": "-"}}, "read in two ways"),
        ({"pattern": "{value},{channel}", "decimal_sign": ","}, "read in two ways"),
        ({"pattern": "{value}{unit}"}, "go together"),
        ({"pattern": "{value}", "units": {"mm": "mm"}}, "go together"),
        ({"pattern": "{value}{status}"}, "go together"),
        ({"pattern": "{value}", "signs": {" ": "+"}}, r"signs has no \{sign\}"),
        ({"pattern": "{value}", "implied_decimals": 3, "decimal_sign": ","}, "leaves no decimal_sign"),
        ({"pattern": "{value}", "unit": "cm"}, "write mm, in"),
        ({"pattern": "{value}", "unit": ""}, "write mm, in"),
        ({"pattern": "{value}", "scale": "C"}, "a length has no scale"),
        ({"pattern": "{value}", "unit": "mm", "quantity": "temperature"}, "a temperature has no unit"),
        ({"pattern": "{value}", "quantity": "temperature"}, "needs its scale"),
        ({"pattern": "{value}{unit?}", "quantity": "temperature", "units": {"C": "C"}}, "without its scale"),
        ({"pattern": "{value}{unit}", "units": {"K": "K"}, "quantity": "temperature"}, "write C or F"),
        ({"pattern": "{value}{unit}", "units": {"c": "cm"}}, "write mm, in"),
        ({"pattern": "{value}{unit}", "units": {"M": "mm"}, "unit": "mm"}, "read from the frame too"),
        ({"pattern": "{value}", "terminator": "0"}, "numbers are made of"),
        ({"pattern": "{value}", "terminator": " ", "pad": True}, "numbers are made of"),
        ({"pattern": "{value}", "start": "+"}, "numbers are made of"),
        ({"pattern": "{value}", "terminator": ""}, "at least 1"),
        ({"pattern": "{value}", "terminator": "\r\n\r\n\r"}, "at most 4"),
        ({"pattern": "{value}\r\n"}, "cut off before"),
        ({"pattern": "\u0002{value}", "start": "\u0002"}, "cut off before"),
        ({"pattern": "{value}", "start": "\r"}, "hold each other"),
        ({"pattern": "{value}\u20ac"}, "no single byte"),
        ({"pattern": "{value}{status}", "statuses": {"L": {"value_holds": False}}}, "needs a meaning"),
        ({"pattern": "{value}", "errors": {"{channel}": {"meaning": "m"}}}, "no text of its own"),
        ({"pattern": "{value}", "errors": {"E{value}": {"meaning": "m"}}}, "not a hole that can stand here"),
        ({"pattern": "{value}", "silence": 0}, "greater than 0"),
        ({"fields": {"count": 2, "value": 3}}, "beyond count"),
        ({"fields": {"count": 2, "value": 1, "sign": 1}}, "that field is the value"),
        ({"fields": {"separator": ".", "count": 2, "value": 1}}, "read in two ways"),
        ({"pattern": "{value}", "baud": 9600}, "not permitted"),
    ],
)
def test_settings_that_contradict_themselves_are_told_offline(settings: dict[str, object], word: str) -> None:
    """Every contradiction is found before a byte comes, and the finding says what to write."""
    with pytest.raises(ValidationError, match=word):
        Settings.model_validate(settings)


@pytest.mark.parametrize("capture", CAPTURES, ids=lambda capture: capture.name)
def test_settings_survive_the_journal(capture: Capture) -> None:
    """Written out with every default, as the journal keeps them, settings are read again as the same."""
    settings = Settings.model_validate(capture.settings)
    assert Settings.model_validate_json(settings.model_dump_json()) == settings


@pytest.mark.parametrize(
    "text", ["1_0", "1e5", "NaN", "Infinity", "+", ".", "1.2.3", "1,2", "--1", "0x1F", "1" * 21]
)
def test_only_plain_digits_are_a_number(text: str) -> None:
    """What a number type would take and no gauge shows is a bad frame."""
    assert len(_reasons(_decode(text.encode() + b"\r", **VALUE))) == 1


def test_digits_of_other_scripts_are_no_digits() -> None:
    """Superscripts of the one-byte alphabet, which Python calls digits, are none."""
    assert len(_reasons(_decode(b"1\xb2\r\xb9\r", **VALUE))) == 2


@pytest.mark.parametrize("end", ["\r\n", "\r", "\n", "\u0003", ";;", "END\n"])
def test_any_terminator_ends_a_frame(end: str) -> None:
    """One to four bytes of any kind can end a frame."""
    data = f"1.5{end}2.5{end}".encode("latin-1")
    values = [
        event.value
        for event in _decode(data, pattern="{value}", terminator=end)
        if isinstance(event, Indication)
    ]
    assert values == [Decimal("1.5"), Decimal("2.5")]


def test_half_a_terminator_ends_nothing() -> None:
    """With carriage return and line feed expected, one alone is a character that does not belong."""
    events = _decode(b"1.5\n2.5\r3.5\r\n", pattern="{value}", terminator="\r\n")
    assert len(_reasons(events)) == 1
    assert events[0].raw == b"1.5\n2.5\r3.5\r\n"


def test_a_wrong_terminator_is_named_in_the_reason() -> None:
    """The commonest mistake in the settings shows as what it is, not as bad frames without a clue."""
    for end, data in (("\r", b"1.5\r\n1.6\r\n1.7\r"), ("\n", b"1.5\r\n")):
        reasons = _reasons(
            [
                event
                for event in _decode(data, pattern="{value}", terminator=end)
                if isinstance(event, BadFrame)
            ]
        )
        assert reasons
        assert all("has a line end that terminator =" in reason for reason in reasons)


@pytest.mark.parametrize(
    ("frame", "why"),
    [
        ("38,0141 mm", ": it has a ',' before its decimals; decimal_sign = ',' reads that"),
        ("38.0141 um", ": 'um' is none of its units (mm, in)"),
        ('1.4966"', ""),
        ("38,0141 um", ""),
        ("1,038.0141 mm", ""),
    ],
)
def test_what_alone_keeps_a_frame_from_fitting_is_named(frame: str, why: str) -> None:
    """A comma and a unit that the description does not know are said; where more is wrong nothing is guessed."""
    (event,) = _decode(
        f"{frame}\r\n".encode(), pattern="{value} {unit}", units={"mm": "mm", "in": "in"}, unit=None
    )
    assert isinstance(event, BadFrame)
    assert event.reason == f"{frame!r} does not fit pattern '{{value}} {{unit}}'{why}"


def test_an_empty_frame_is_bad_unless_blank_lines_are_told_of() -> None:
    """Nothing between two terminators is a fault, or by `blank_lines` nothing at all."""
    assert _reasons(_decode(b"\r\r", **VALUE)) == ["a frame with nothing in it"] * 2
    assert _decode(b"\r\r", **VALUE, blank_lines=True) == []
    decoders.check_decoder(
        lambda: _decoder(**VALUE, blank_lines=True),
        [decoders.Sample(b"\r1.5\r\r", (Indication("1.5", Decimal("1.5"), None, b"1.5\r"),))],
        accounts=False,
    )


def test_a_frame_without_end_is_handed_on_and_the_next_is_read() -> None:
    """Bytes without a terminator come as bad frames of bounded size; the frame after the next terminator is read."""
    for junk in (4094, 4095, 4096, 4097, 8192, 100_000):
        data = b"x" * junk + b"\r\n" + b"1.5\r\n"
        *bad, good = decoders.decode(_decoder(pattern="{value}"), [data])
        assert isinstance(good, Indication), junk
        assert b"".join(event.raw for event in bad) == data[:-5]
        assert len(_reasons(bad)) <= junk // 4095 + 1
        bytewise = decoders.decode(
            _decoder(pattern="{value}"), [data[at : at + 1] for at in range(len(data))]
        )
        assert bytewise == [*bad, good], junk


def test_a_lead_in_saves_the_frame_behind_endless_junk() -> None:
    """Where frames have a lead-in, junk of any length before it costs none of them."""
    for junk in (1, 4090, 4095, 4096, 5000, 9000):
        data = b"x" * junk + b"\x02+1.5\x03"
        for pieces in ([data], [data[at : at + 1] for at in range(len(data))]):
            *bad, good = decoders.decode(
                _decoder(pattern="{value}", start="\u0002", terminator="\u0003"), pieces
            )
            assert (good.raw, isinstance(good, Indication)) == (b"\x02+1.5\x03", True), junk
            assert b"".join(event.raw for event in bad) == b"x" * junk


def test_a_frame_cut_off_by_the_next_lead_in_is_bad() -> None:
    """Half a frame and a whole one between two terminators are told apart by the lead-in."""
    bad, good = _decode(b"\x02+12\x02+12.345\x03", pattern="{value}", start="\u0002", terminator="\u0003")
    assert bad == BadFrame("bytes before the lead-in", b"\x02+12")
    assert isinstance(good, Indication)
    assert good.value == Decimal("12.345")


def test_channels_of_a_link_do_not_mix() -> None:
    """Halves of two gauges' frames that come in turn make two frames, each on its channel."""
    decoder = _decoder(**VALUE)
    events: list[Decoded] = []
    for channel, data in (("a", b"1."), ("b", b"2."), ("a", b"5\r"), ("b", b"6")):
        events += decoder.feed(Chunk(data, decoders.MOMENT, channel))
    assert [(event.channel, event.raw) for event in events] == [("a", b"1.5\r")]
    assert [(event.channel, event.raw) for event in decoder.reset()] == [("b", b"2.6")]


def test_silence_ends_half_a_frame_and_nothing_else() -> None:
    """Half a frame is given up after `silence`, not before, and is not joined to what comes later."""
    decoder = _decoder(**VALUE, silence=0.5)
    assert decoder.feed(Chunk(b"12", decoders.MOMENT)) == []
    assert decoder.idle(0.49) == []
    (bad,) = decoder.idle(0.5)
    assert bad == BadFrame("half a frame, then nothing for 0.5 s", b"12")
    assert decoder.idle(100.0) == []
    (good,) = decoder.feed(Chunk(b"12.345\r", decoders.MOMENT))
    assert isinstance(good, Indication)
    assert good.value == Decimal("12.345")


def test_a_packet_ends_what_came_before_it() -> None:
    """Half a frame of a stream is not joined to a packet."""
    decoder = _decoder(**VALUE)
    assert decoder.feed(Chunk(b"12", decoders.MOMENT)) == []
    bad, good = decoder.feed(Chunk(b"3.5", decoders.MOMENT, complete=True))
    assert bad.raw == b"12"
    assert good == Indication("3.5", Decimal("3.5"), None, b"3.5")


def test_a_status_that_spoils_the_value_leaves_no_value() -> None:
    """Out of range with digits beside it is a condition, not a length; an unknown status is a bad frame."""
    told = {"N": {"value_holds": True}, "O": {"meaning": "out of range", "ends_mastering": True}}
    events = _decode(b"1.5O\r1.5N\r1.5X\r", **{**VALUE, "pattern": "{value}{status}"}, statuses=told)
    assert events[0] == Condition("O", "out of range", b"1.5O\r", "", True)
    assert isinstance(events[1], Indication)
    assert isinstance(events[2], BadFrame)


def test_a_unit_that_may_be_absent_is_then_left_to_the_station_file() -> None:
    """{unit?} gives the frame's unit, or None."""
    settings = {**VALUE, "pattern": "{value}{unit?}", "units": {'"': "in"}}
    assert [e.unit for e in _decode(b'1.5"\r1.5\r', **settings) if isinstance(e, Indication)] == [
        Unit.INCH,
        None,
    ]


def test_a_request_asks_on_its_channel() -> None:
    """{channel} in the request is the channel asked; without one such a gauge is not asked at all."""
    assert _decoder(**VALUE).request() == b""
    assert _decoder(**VALUE, request="V\r").request("7") == b"V\r"
    asking = _decoder(**VALUE, request="R{channel}\r")
    assert (asking.request("07"), asking.request()) == (b"R07\r", b"")


@pytest.mark.parametrize(
    ("shown", "celsius"),
    [("68.0", "20"), ("32", "0"), ("-40", "-40"), ("212.0", "100"), ("70.5", "21.388889")],
)
def test_fahrenheit_becomes_celsius_exactly(shown: str, celsius: str) -> None:
    """(F - 32)/1.8, to a millionth: the fixed points of both scales (NIST SP 811, B.8, from memory) and one between."""
    (event,) = _decode(f"{shown}\r".encode(), **VALUE, quantity="temperature", scale="F")
    assert isinstance(event, Temperature)
    assert event.celsius == Decimal(celsius)


def test_below_absolute_zero_is_a_bad_frame() -> None:
    """A temperature that can't be is no temperature."""
    (reason,) = _reasons(_decode(b"-273.16\r", **VALUE, quantity="temperature", scale="C"))
    assert "absolute zero" in reason


@pytest.mark.parametrize(
    ("digits", "decimals", "text"),
    [("0012345", 3, "0012.345"), ("-5", 3, "-0.005"), ("+120", 0, "+120"), ("7", 4, "0.0007")],
)
def test_implied_decimals_keep_every_digit(digits: str, decimals: int, text: str) -> None:
    """The point goes where the display has it; trailing zeros, and so the resolution, stay."""
    (event,) = _decode(f"{digits}\r".encode(), **VALUE, implied_decimals=decimals)
    assert isinstance(event, Indication)
    assert event.text == text
    assert event.resolution == Decimal(1).scaleb(-decimals)


@given(
    data=st.binary(max_size=600),
    edges=st.lists(st.integers(0, 600), max_size=6),
    pick=st.sampled_from(CAPTURES),
)
def test_any_bytes_give_a_known_answer_that_accounts_for_each(
    data: bytes, edges: list[int], pick: Capture
) -> None:
    """Numbers, conditions and bad frames come of any bytes in any chunks; no byte vanishes, none comes twice."""
    decoder = pick.make()
    cuts = [0, *sorted(min(edge, len(data)) for edge in edges), len(data)]
    events = decoders.decode(decoder, [data[a:b] for a, b in itertools.pairwise(cuts)])
    assert all(isinstance(event, Indication | Temperature | Condition | BadFrame) for event in events)
    assert b"".join(event.raw for event in [*events, *decoder.reset()]) == data


ALPHABET = st.text("0123456789+-.,: ACEIMNR\r\n\x02\x03", max_size=300)


@given(text=ALPHABET, pick=st.sampled_from(CAPTURES))
def test_a_frame_means_the_same_read_again_from_its_raw(text: str, pick: Capture) -> None:
    """Each event's raw, fed alone to a fresh decoder, gives that event again: readings can be re-derived."""
    for event in decoders.decode(pick.make(), [text.encode("latin-1")]):
        if isinstance(event, Indication | Temperature):
            assert decoders.decode(pick.make(), [event.raw])[-1] == event


def _repeats(tree: object) -> Iterator[object]:
    for operation, argument in tree:  # type: ignore[attr-defined]
        yield operation
        for part in argument if isinstance(argument, tuple | list) else [argument]:
            if isinstance(part, parser.SubPattern):
                yield from _repeats(part)
            elif operation is codes.BRANCH and isinstance(part, list):
                for branch in part:
                    yield from _repeats(branch)


def _matchers() -> Iterator[re.Pattern[str]]:
    for capture in CAPTURES:
        settings = Settings.model_validate(capture.settings)
        yield settings.matcher()
        yield from (matcher for matcher, _, _ in settings.error_matchers())


def test_no_matcher_can_give_back_what_it_took() -> None:
    """Every repetition is possessive, so that no text makes a match take more than one pass."""
    matchers = list(_matchers())
    seen = {operation for matcher in matchers for operation in _repeats(parser.parse(matcher.pattern))}
    assert codes.POSSESSIVE_REPEAT in seen
    assert not seen & {codes.MAX_REPEAT, codes.MIN_REPEAT}
    assert codes.MAX_REPEAT in set(_repeats(parser.parse("(?P<a>(?:[0-9]{1,9})+)")))


HOSTILE = """
from gaugepost.contract.kit import decoders
from gaugepost_adapters.decoders.delimited_settings import Settings
from gaugepost_adapters.decoders.delimited_text import DelimitedText

skips = "{skip?}a" * 12
for pattern in ("{value}", "{sign}{value} {skip?}x", skips + "{value}", "{skip?};{skip?},{value}{skip?}!"):
    for text in ("1" * 4090, "a" * 4090, "+" * 4090, "1." * 2045, "a1" * 2045, ";," * 2045, "ax" * 2045, " " * 4090):
        for _ in range(20):
            decoder = DelimitedText(Settings(terminator="\\r", pattern=pattern))
            decoders.decode(decoder, [text.encode() + b"\\r"])
"""


def test_hostile_frames_of_full_length_cost_nothing_worth_naming() -> None:
    """Frames of 4 KiB made to have a matcher try again and again end within seconds of processor time."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (60, 60))

    subprocess.run([sys.executable, "-c", HOSTILE], check=True, preexec_fn=limit)
