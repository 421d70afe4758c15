"""Gauges nobody has described: a description that reads right, or an honest "not decided yet"."""

from __future__ import annotations

import random
from decimal import Decimal
from typing import Any

import pytest

from gaugepost.contract import Decoder, Indication
from gaugepost.edge.plugins import DECODERS, find, installed
from gaugepost.teach import Ask, Evidence, Outlook, Sample, read_typed, search
from gaugepost.teach.judging import read
from tests.teach.unknown_gauges import Gauge, chunks, gauge, shown, taught

KINDS: dict[str, type[Decoder]] = {name: find(DECODERS, name) for name in installed(DECODERS)}


def outlook_of(*pairs: tuple[str, bytes], packets: bool = False) -> Outlook:
    """What is found of a typed text and the bytes that came with it, each."""
    dice = random.Random(1)
    samples = [
        Sample(read_typed(text), chunks(data, 5000 * at, packets, dice))
        for at, (text, data) in enumerate(pairs)
    ]
    return search(Evidence(tuple(samples)), KINDS)


def held_out(
    one: Gauge, kind: str, settings: Any, dice: random.Random, tries: int = 40
) -> tuple[int, list[str]]:
    """How many frames are read as shown, and those that are read otherwise."""
    right, wrong = 0, []
    for _ in range(tries):
        what = shown(one, dice, held_out=True)
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


def attempt(seed: int) -> tuple[str, bool, int]:
    """Teach one gauge; return what is wrong, whether it was accepted, and how many held-out frames it reads."""
    dice = random.Random(seed)
    one = gauge(dice)
    evidence, _, _ = taught(one, dice)
    outlook = search(evidence, KINDS)
    assert (outlook.accepted is None) == bool(outlook.reason)
    if outlook.accepted is None:
        return "", False, 0
    right, wrong = held_out(one, outlook.accepted.kind, outlook.accepted.settings, dice)
    told = f"{seed}: {one.what}: {dict(outlook.accepted.settings)}: {wrong[0]}" if wrong else ""
    return told, True, right


def hold(seeds: range) -> None:
    results = [attempt(seed) for seed in seeds]
    wrong = [told for told, _, _ in results if told]
    assert not wrong, "\n".join(wrong)
    accepted = [right for _, was, right in results if was]
    assert len(accepted) > len(seeds) / 10
    assert sum(right > 0 for right in accepted) > 0.9 * len(accepted)


def test_some_unknown_gauges_are_read_right_or_not_decided() -> None:
    """Of gauges made at random, none is accepted that reads a frame of it wrong."""
    hold(range(40))


@pytest.mark.parametrize("seed", [1043, 1563, 1633, 1998])
def test_what_was_once_accepted_by_luck_no_longer_is(seed: int) -> None:
    """A check behind the number hides no rivals, and a place that tells the sign as well as the unit is no unit."""
    assert attempt(seed)[0] == ""


@pytest.mark.attack
def test_thousands_of_unknown_gauges_are_read_right_or_not_decided() -> None:
    """Of thousands, with noise, wrong typings and other traffic, none is accepted that reads a frame wrong."""
    hold(range(1000, 3000))


GAUGE = (("12.345 mm", b"+0012.345\r"), ("7.891 mm", b"+0007.891\r"), ("-3.072", b"-0003.072\r"))


def test_a_plain_gauge_is_decided() -> None:
    """Three values with other digits, one of them negative, are enough for a gauge that writes them out."""
    outlook = outlook_of(*GAUGE)
    assert outlook.accepted is not None
    assert outlook.accepted.settings["terminator"] == "\r"
    assert outlook.shown[0].lines() == (r"+0012.345\r", "   nnnnnn")


def test_a_wrong_typing_is_named() -> None:
    """A sample that does not fit what the others agree on is named, and nothing is accepted."""
    outlook = outlook_of(*GAUGE, ("9.916 mm", b"+0009.961\r"), ("4.207 mm", b"+0004.207\r"))
    assert outlook.conflict is not None
    assert (outlook.conflict.sample, outlook.conflict.agree) == (4, (1, 2, 3, 5))
    assert outlook.conflict.reads == "9.961 mm"
    assert outlook.accepted is None


def test_the_same_value_again_tells_nothing() -> None:
    """Three times one value is one value: it asks for another."""
    outlook = outlook_of(*[("12.345 mm", b"+0012.345\r")] * 4)
    assert outlook.accepted is None
    assert outlook.next_measurements[0].ask == Ask.ANY


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
