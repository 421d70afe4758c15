"""Gauges nobody has described: a description that reads right, or an honest "not decided yet"."""

from __future__ import annotations

import binascii
import random
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from gaugepost.contract import Decoder, Indication
from gaugepost.edge.plugins import DECODERS, find, installed
from gaugepost.teach import Ask, Evidence, Outlook, Sample, read_typed, search
from gaugepost.teach.judging import read
from tests.teach.odd_gauges import ODD, odd_gauge, odd_shown
from tests.teach.unknown_gauges import Gauge, Shown, can_never, chunks, gauge, shown, taught

KINDS: dict[str, type[Decoder]] = {name: find(DECODERS, name) for name in installed(DECODERS)}


def outlook_of(*pairs: tuple[str, bytes], packets: bool = False) -> Outlook:
    """What is found of a typed text and the bytes that came with it, each."""
    dice = random.Random(1)
    samples = [
        Sample(read_typed(text), chunks(data, 5000 * at, packets, dice))
        for at, (text, data) in enumerate(pairs)
    ]
    return search(Evidence(tuple(samples)), KINDS)


Anything = Callable[..., Shown]


def held_out(
    one: Gauge, kind: str, settings: Any, dice: random.Random, show: Anything = shown
) -> tuple[int, list[str]]:
    """How many frames are read as shown, and those that are read otherwise."""
    right, wrong = 0, []
    for _ in range(40):
        what = show(one, dice, held_out=True)
        data = one.frame(what)
        sample = Sample(read_typed("1"), chunks(data, 0, one.packets, dice))
        decoder = KINDS[kind](KINDS[kind].Settings.model_validate(settings))
        (events,) = read(decoder, Evidence((sample,)))
        for event in events:
            if isinstance(event, Indication):
                same = event.value == what.value and (event.unit is None or event.unit.value == what.unit)
                right += same and what.well
                if not same or not what.well:
                    wrong.append(f"{data!r} shows {what} and is read as {event.text} {event.unit}")
    return right, wrong


def attempt(seed: int, odd: str = "") -> tuple[str, bool, int]:
    """Teach one gauge; return what is wrong, whether it was accepted, and how many held-out frames it reads."""
    dice = random.Random(f"{odd} {seed}" if odd else seed)
    one, show = (odd_gauge(odd, dice), odd_shown) if odd else (gauge(dice), shown)
    evidence, _, _ = taught(one, dice, show)
    if odd:
        evidence = replace(evidence, never=can_never(one))
    outlook = search(evidence, KINDS)
    assert (outlook.accepted is None) == bool(outlook.reason)
    if outlook.accepted is None:
        return "", False, 0
    right, wrong = held_out(one, outlook.accepted.kind, outlook.accepted.settings, dice, show)
    told = f"{odd} {seed}: {one.what}: {dict(outlook.accepted.settings)}: {wrong[0]}" if wrong else ""
    return told, True, right


def hold(seeds: range, odd: str = "", least: float = 0.25) -> None:
    """None is accepted wrong, and more than `least` of them are accepted."""
    results = [attempt(seed, odd) for seed in seeds]
    wrong = [told for told, _, _ in results if told]
    assert not wrong, "\n".join(wrong)
    accepted = [right for _, was, right in results if was]
    assert len(accepted) > least * len(seeds)
    assert sum(right > 0 for right in accepted) >= 0.9 * len(accepted)


@pytest.mark.attack
def test_some_unknown_gauges_are_read_right_or_not_decided() -> None:
    """Of gauges made at random, none is accepted that reads a frame of it wrong."""
    hold(range(40))


@pytest.mark.parametrize("seed", [1043, 1563, 1633, 1998])
def test_what_was_once_accepted_by_luck_no_longer_is(seed: int) -> None:
    """A check behind the number hides no rivals, and a place that tells the sign as well as the unit is no unit."""
    assert attempt(seed)[0] == ""


def test_half_a_byte_that_was_always_zero_is_no_digit() -> None:
    """A unit in the half byte before the digits, of which one came, is not taken for their first."""
    assert attempt(238, "state in nibbles")[0] == ""


@pytest.mark.attack
def test_thousands_of_unknown_gauges_are_read_right_or_not_decided() -> None:
    """Of thousands, with noise, wrong typings and other traffic, none is accepted that reads a frame wrong."""
    hold(range(1000, 3000))


@pytest.mark.attack
@pytest.mark.parametrize("odd", ODD)
def test_odd_gauges_are_read_right_or_not_decided(odd: str) -> None:
    """Frames of many lengths, varying blanks, a state that changes meanwhile, points now and then: right or open."""
    hold(range(6), odd, least=-1)


@pytest.mark.attack
@pytest.mark.parametrize("odd", ODD)
def test_hundreds_of_odd_gauges_are_read_right_or_not_decided(odd: str) -> None:
    """Of hundreds of each, with noise, wrong typings and other traffic, none is accepted that reads a frame wrong."""
    hold(range(100, 300), odd, least=0.15)


GAUGE = (("12.345 mm", b"+0012.345\r"), ("7.891 mm", b"+0007.891\r"), ("-3.072", b"-0003.072\r"))


def test_a_plain_gauge_is_decided() -> None:
    """Three values with other digits, one of them negative, are enough for a gauge that writes them out."""
    outlook = outlook_of(*GAUGE)
    assert outlook.accepted is not None
    assert outlook.accepted.settings["terminator"] == "\r"
    assert outlook.shown[0].lines() == (r"+0012.345\r", "   nnnnnn")


def test_zeros_that_no_number_needed_are_told() -> None:
    """Where zeros stood before every number a longer one is offered to be measured, until it was or can never come."""
    longer = (Ask.LONGER, "zeros stood before every number: one that is longer is refused")
    offered = [(one.ask, one.why) for one in outlook_of(*GAUGE).next_measurements if not one.needed]
    assert longer in offered
    measured = outlook_of(*GAUGE, ("1234.567 mm", b"+1234.567\r"))
    assert measured.accepted is not None
    assert not {one.ask for one in measured.next_measurements} & {Ask.LONGER}


def test_a_wrong_typing_is_named() -> None:
    """A sample that does not fit what the others agree on is named, and nothing is accepted."""
    outlook = outlook_of(*GAUGE, ("9.916 mm", b"+0009.961\r"), ("4.207 mm", b"+0004.207\r"))
    assert outlook.conflict is not None
    assert (outlook.conflict.sample, outlook.conflict.agree) == (4, (1, 2, 3, 5))
    assert outlook.conflict.reads == "9.961 mm"
    assert outlook.accepted is None


def test_the_only_negative_value_is_no_slip() -> None:
    """Where one sample alone is negative, and does not show by what, another is asked for; nobody is told to retype."""
    pairs = [
        (f"{value} mm", f"{'1' if value < 0 else '0'}{abs(value):.3f}\r".encode())
        for value in (12.345, 7.891, 3.072)
    ]
    outlook = outlook_of(*pairs, ("-9.616 mm", b"19.616\r"))
    assert outlook.conflict is None
    assert outlook.next_measurements[0].ask == Ask.NEGATIVE
    assert "sample 4 is the only one" in outlook.reason
    settled = outlook_of(*pairs, ("-9.616 mm", b"19.616\r"), ("-24.518 mm", b"124.518\r"))
    assert settled.accepted is not None, settled.reason
    assert settled.accepted.settings["signs"] == {"0": "+", "1": "-"}


def test_a_state_that_changed_waits_for_sign_and_unit() -> None:
    """A letter that changes for no reason typed may be a sign or a unit, until both are shown or can never come."""
    pairs = [("12.345 mm", b"+12.345N\r"), ("7.891 mm", b"+7.891L\r"), ("3.072 mm", b"+3.072N\r")]
    outlook = outlook_of(*pairs)
    assert outlook.accepted is None
    assert {one.ask for one in outlook.next_measurements if one.needed} == {Ask.NEGATIVE, Ask.UNIT}
    dice = random.Random(1)
    samples = [
        Sample(read_typed(text), chunks(data, 5000 * at, False, dice))
        for at, (text, data) in enumerate(pairs)
    ]
    settled = search(Evidence(tuple(samples), never=frozenset({Ask.NEGATIVE, Ask.UNIT})), KINDS)
    assert settled.accepted is not None, settled.reason
    assert set(settled.accepted.settings["statuses"]) == {"L", "N"}


def test_the_same_value_again_tells_nothing() -> None:
    """Three times one value is one value: it asks for another."""
    outlook = outlook_of(*[("12.345 mm", b"+0012.345\r")] * 4)
    assert outlook.accepted is None
    assert outlook.next_measurements[0].ask == Ask.ANY


REPEATED = (
    "bytes that nothing reads change: the same value twice shows whether they follow it, as a check would"
)
FOLLOWS = "bytes that nothing reads follow the value: if they are a check of an unknown kind, nobody makes it"


@pytest.mark.parametrize(
    ("beside", "told"),
    [(("6074", "3119", "4821", "6074"), (FOLLOWS,)), (("0001", "0002", "0003", "0004"), ())],
)
def test_the_same_value_twice_shows_what_follows_it(beside: tuple[str, ...], told: tuple[str, ...]) -> None:
    """Digits beside the number that are no counter are told to be unchecked, once a value came twice; not before."""
    values = (*GAUGE, GAUGE[0])
    pairs = [
        (text, data.replace(b"\r", f" {each}\r".encode()))
        for (text, data), each in zip(values, beside, strict=True)
    ]
    once, twice = outlook_of(*pairs[:3]), outlook_of(*pairs)
    assert once.accepted is not None and twice.accepted is not None, twice.reason
    assert (Ask.SAME, REPEATED) in [(one.ask, one.why) for one in once.next_measurements if not one.needed]
    assert REPEATED in once.accepted.cautions
    assert Ask.SAME not in {one.ask for one in twice.next_measurements}
    assert {*twice.accepted.cautions} & {REPEATED, FOLLOWS} == {*told}


def test_a_check_that_is_made_needs_no_value_twice() -> None:
    """Bytes that a draft's own check goes over are explained, though they change with every value."""
    values = [12_345, 7_891, -23_072, 18_206]
    frames = [value.to_bytes(4, "big", signed=True) for value in values]
    pairs = [
        (
            f"{Decimal(value).scaleb(-3)} mm",
            b"\x02" + data + binascii.crc_hqx(b"\x02" + data, 0xFFFF).to_bytes(2),
        )
        for value, data in zip(values, frames, strict=True)
    ]
    outlook = outlook_of(*pairs, packets=True)
    assert outlook.accepted is not None, outlook.reason
    assert "check" in outlook.accepted.settings
    assert Ask.SAME not in {one.ask for one in outlook.next_measurements}


def test_values_close_together_are_no_evidence() -> None:
    """Values that differ in their last digit only ask for one with other digits."""
    close = [(f"5.0{digit} mm", f"5.0{digit}\r\n".encode()) for digit in range(1, 4)]
    outlook = outlook_of(*close)
    assert outlook.accepted is None
    assert outlook.next_measurements[0].ask == Ask.DIGITS


def test_a_binary_number_waits_for_a_negative_value() -> None:
    """Whether an integer is signed can't be known before a negative value came."""
    values = [12_345, 7_891, 23_072]
    pairs = [(f"{Decimal(value).scaleb(-3)} mm", value.to_bytes(2, "little")) for value in values]
    outlook = outlook_of(*pairs, packets=True)
    assert outlook.accepted is None
    assert outlook.candidates > 1
    assert outlook.next_measurements[0].ask == Ask.NEGATIVE
    settled = outlook_of(*pairs, ("-3.210 mm", (-3210).to_bytes(2, "little", signed=True)), packets=True)
    assert settled.accepted is not None
    assert settled.accepted.settings["number"] == "signed"


@pytest.mark.parametrize(
    ("text", "reads"),
    [
        ("-0,070 mm", "-0.070 mm"),
        ("12.340", "12.340"),
        (".4921 in", "0.4921 in"),
        ("+3.2um", "3.2 µm"),
        ("21.4 °C", "21.4 °C"),
    ],
)
def test_what_is_typed_keeps_its_digits(text: str, reads: str) -> None:
    """Decimal comma or point, sign, unit and zeros at the end are taken as they stand."""
    assert str(read_typed(text)) == reads
