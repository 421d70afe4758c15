"""Whoever sends what: who it came from is on the record, its bytes too, and what nobody is expected to send is said."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.arrivals.scanner import MAX_SHOWN
from gaugepost.core.indication import (
    BadFrame,
    Code,
    Condition,
    Decoded,
    Indication,
    Moment,
    Temperature,
    Trigger,
)
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Does, ScannerEntry, TriggerEntry
from tests.core.station import AIR, GAUGE, Hand, set_up

SCANNER = ScannerEntry(name="hand", link="usb-5", codes=("P{piece}", "C-{contact_set}"))
PEDAL = TriggerEntry(name="pedal", link="usb-6", does=Does.ASK, gauge="bore-1")
SENT: dict[str, Decoded] = {
    "an indication": Indication("38.010", D("38.010"), Unit.MM, b"38.010"),
    "a temperature": Temperature(D("21.5"), b"21.5"),
    "a condition": Condition("E1", "battery low", b"E1"),
    "a code": Code("P7", b"P7"),
    "a trigger": Trigger("pedal", b"\x01"),
}
LINKS = {"gauge": "usb-1", "thermometer": "usb-9", "scanner": "usb-5", "trigger": "usb-6"}
NAMES = {"gauge": "bore-1", "thermometer": "air", "scanner": "hand", "trigger": "pedal"}


def bench(gauge: dict[str, Any] | None = None, **station: Any) -> Hand:
    around = {"thermometers": {"air": AIR}, "scanners": {"hand": SCANNER}, "triggers": {"pedal": PEDAL}}
    return Hand(set_up(gauge, None, **(around | station)))


def arrive(hand: Hand, link: str, decoded: Decoded) -> tuple[Record, ...]:
    return hand.do(ev.Arrived(link, decoded)).records


def told(record: Record, *names: str) -> tuple[Any, ...]:
    return tuple(getattr(record, name) for name in names)


def whose(record: Record) -> dict[str, str]:
    """Return the fields that say who it came from."""
    names = ("gauge", "thermometer", "device")
    return {name: value for name in names if (value := getattr(record, name)) is not None}


@pytest.mark.parametrize("what", SENT)
@pytest.mark.parametrize(
    ("who", "kinds"),
    [
        ("gauge", {"an indication": Kind.READING, "a condition": Kind.CONDITION}),
        ("thermometer", {"a temperature": Kind.TEMPERATURE, "a condition": Kind.CONDITION}),
        ("scanner", {"a code": Kind.SCAN}),
        ("trigger", {"a trigger": Kind.TRIGGER, "a code": Kind.TRIGGER}),
    ],
)
def test_each_sends_its_own(who: str, kinds: dict[str, Kind], what: str) -> None:
    """Everything else is a bad frame that says what came and from whom, counted as one, with its bytes."""
    hand = bench()
    record = arrive(hand, LINKS[who], SENT[what])[0]
    assert record.kind is kinds.get(what, Kind.BAD_FRAME)
    assert told(record, "link", "raw") == (LINKS[who], SENT[what].raw)
    field = {"scanner": "device", "trigger": "device"}.get(who, who)
    assert whose(record) in (
        {field: NAMES[who]},
        {field: NAMES[who], "gauge": "bore-1"},  # a trigger's record names the gauge it is about
    )
    if record.kind is Kind.BAD_FRAME:
        assert record.text == f"{what} came in on {LINKS[who]}, where {NAMES[who]} is"
        assert record.count == 1


def test_a_channel_that_the_station_file_does_not_know() -> None:
    """What comes on it is a bad frame of nobody, which names the channel where there is one."""
    hand = bench()
    (there,) = arrive(hand, "usb-1", replace(SENT["an indication"], channel="2"))
    assert there.text == "an indication came in on channel 2 of usb-1, where the station file names nothing"
    (alone,) = arrive(hand, "usb-7", SENT["a code"])
    assert alone.text == "a code came in on usb-7, where the station file names nothing"
    assert whose(there) == whose(alone) == {}
    assert told(alone, "kind", "link", "raw") == (Kind.BAD_FRAME, "usb-7", b"P7")


@pytest.mark.parametrize(
    ("link", "own"),
    [
        ("usb-1", {"gauge": "bore-1"}),
        ("usb-9", {"thermometer": "air"}),
        ("usb-5", {"device": "hand"}),
        ("usb-6", {"device": "pedal"}),
        ("usb-7", {}),
    ],
)
def test_bad_frames_name_who_sent_them(link: str, own: dict[str, str]) -> None:
    """One by one with reason and bytes, and those beyond as a number without."""
    hand = bench()
    (one,) = arrive(hand, link, BadFrame("no number", b"?"))
    assert told(one, "kind", "link", "text", "raw", "count") == (Kind.BAD_FRAME, link, "no number", b"?", 1)
    (more,) = hand.do(ev.MoreBadFrames(link, "", 41)).records
    assert told(more, "kind", "link", "raw", "count") == (Kind.BAD_FRAME, link, None, 41)
    assert "counted without their bytes" in (more.text or "")
    assert whose(one) == whose(more) == own


@pytest.mark.parametrize("ends", [False, True])
def test_a_condition_says_what_and_of_whom(ends: bool) -> None:
    """Code, meaning and bytes are its own; a gauge's ends the mastering where its decoder says so."""
    said = Condition("E4", "battery changed", b"E4", ends_mastering=ends)
    for link, own in (("usb-1", {"gauge": "bore-1"}), ("usb-9", {"thermometer": "air"})):
        (record,) = arrive(bench(), link, said)
        assert told(record, "kind", "code", "text", "raw", "link") == (
            Kind.CONDITION, "E4", "battery changed", b"E4", link,
        )  # fmt: skip
        assert whose(record) == own
        assert record.ends_mastering is (True if ends and "gauge" in own else None)


def sent_twice(hand: Hand, after_ms: int, second: str = "38.010") -> Record:
    for digits in ("38.010", second):
        (record,) = hand.at_once(
            ev.Arrived("usb-1", Indication(digits, D(digits), Unit.MM, digits.encode()))
        ).records
        hand.wait(after_ms)
    return record


@pytest.mark.parametrize(
    ("after_ms", "kind"), [(0, Kind.SUPPRESSED), (249, Kind.SUPPRESSED), (250, Kind.READING)]
)
def test_the_same_bytes_within_the_debounce_are_one_send(after_ms: int, kind: Kind) -> None:
    """At the same moment and until the time is over; the double is kept, with its bytes, and says how soon it came."""
    record = sent_twice(bench({"debounce_ms": 250}), after_ms)
    assert told(record, "kind", "gauge", "link", "raw") == (kind, "bore-1", "usb-1", b"38.010")
    if kind is Kind.SUPPRESSED:
        assert record.text == f"the same frame {after_ms} ms after the last one: one send, doubled"
        assert record.value_mm is None


def test_other_bytes_at_once_are_a_reading() -> None:
    """Whoever measures fast sends other digits: that is no double."""
    assert sent_twice(bench({"debounce_ms": 250}), 0, "38.011").kind is Kind.READING


def test_the_same_bytes_after_a_start_of_the_computer_are_a_reading() -> None:
    """The clock that durations are taken from began anew: what it showed before says nothing."""
    hand = bench()
    arrive(hand, "usb-1", SENT["an indication"])
    hand.now = Moment(hand.now.utc_ms + 60_000, hand.now.clock_ms + 10, "boot-2")
    hand.at_once(ev.Started("test"))
    (record,) = hand.at_once(ev.Arrived("usb-1", SENT["an indication"])).records
    assert record.kind is Kind.READING


@pytest.mark.parametrize(
    ("celsius", "kind"),
    [
        ("-10", Kind.TEMPERATURE),
        ("-10.1", Kind.BAD_FRAME),
        ("60", Kind.TEMPERATURE),
        ("60.1", Kind.BAD_FRAME),
    ],
)
def test_a_bench_is_between_frost_and_heat(celsius: str, kind: Kind) -> None:
    """What no bench can have is a bad frame with its bytes, and no temperature."""
    hand = bench()
    (record,) = hand.warm(celsius).records
    assert told(record, "kind", "thermometer", "link", "raw") == (kind, "air", "usb-9", celsius.encode())
    if kind is Kind.BAD_FRAME:
        assert record.text == f"{celsius} °C is no temperature of a bench"
    else:
        assert told(record, "temperature_c", "body") == (D(celsius), "air")


@pytest.mark.parametrize(
    ("moved", "after_ms", "recorded"),
    [
        ("0.00", AIR.max_age_ms // 2 - 1, False),
        ("0.00", AIR.max_age_ms // 2, True),
        ("0.019", 1000, False),
        ("-0.019", 1000, False),
        ("0.02", 1000, True),
        ("-0.02", 1000, True),
    ],
)
def test_a_temperature_is_recorded_when_it_moved_or_grows_old(
    moved: str, after_ms: int, recorded: bool
) -> None:
    """From 0.02 K on, up or down, and at half its age at the latest, so that it never grows too old while it comes."""
    hand = bench()
    hand.warm("21.50")
    hand.wait(after_ms)
    shown = D("21.50") + D(moved)
    assert bool(hand.at_once(ev.Arrived("usb-9", Temperature(shown, b"t"))).records) is recorded


def test_a_temperature_after_the_clock_went_back_is_recorded() -> None:
    """Nobody knows how old the last one is then."""
    hand = bench()
    hand.warm("21.50")
    hand.now = Moment(hand.now.utc_ms - 60_000, 1000, "boot-2")
    hand.at_once(ev.Started("test"))
    assert hand.warm("21.50").records


def test_a_scanner_says_what_it_read() -> None:
    """What was understood is on the record in words, key by key."""
    hand = bench(
        {"contact_sets": ("A", "B")},
        scanners={"hand": replace(SCANNER, codes=("{lot}/{piece}", "C-{contact_set}"))},
    )
    assert arrive(hand, "usb-5", Code("L7/12", b"L7/12"))[0].text == "lot L7, piece 12"
    assert arrive(hand, "usb-5", Code("C-B", b"C-B"))[0].text == "contact set B"


@pytest.mark.parametrize("length", [1, MAX_SHOWN, MAX_SHOWN + 1, 3000])
def test_an_unknown_code_is_repeated_as_far_as_anybody_reads(length: int) -> None:
    """Whole up to 80 characters, then cut with a mark of it; its bytes are on the record whole."""
    code = ("no code of ours " * 200)[:length]
    (record,) = arrive(bench(), "usb-5", Code(code, code.encode()))
    shown = code if length <= 80 else code[:80] + "…"
    assert record.text == f"{shown!r} fits none of 'P{{piece}}', 'C-{{contact_set}}'"
    assert told(record, "kind", "code", "raw", "device") == (Kind.SCAN, "unknown", code.encode(), "hand")


def test_a_scanned_set_is_of_the_gauge_that_has_it() -> None:
    """Gauges whose contacts have no names are not asked."""
    plain = replace(GAUGE, name="bore-2", link="usb-2")
    named = replace(GAUGE, contact_sets=("A", "B"))
    hand = bench(gauges={"bore-2": plain, "bore-1": named})
    assert [each.kind for each in arrive(hand, "usb-5", Code("C-A", b"C-A"))] == [Kind.SCAN, Kind.REPORT]
    assert hand.state.gauges["bore-1"].contact_set == "A"


def streamed(indication: Indication | None) -> ev.Streamed:
    evidence = ev.Evidence("smallest", "smallest of 3 in 0.040 s", 3, D("0.012"), b"38.020 38.008 38.020")
    return ev.Streamed("usb-1", "", indication, evidence)


@pytest.mark.parametrize("indication", [SENT["an indication"], None])
def test_evidence_says_what_streamed_by(indication: Indication | None) -> None:
    """How many, how far and all bytes, of which gauge; and which reading was taken from it, where one was."""
    hand = bench()
    evidence, *readings = hand.do(streamed(indication)).records
    assert told(evidence, "kind", "gauge", "link", "code", "text") == (
        Kind.STREAM, "bore-1", "usb-1", "smallest", "smallest of 3 in 0.040 s",
    )  # fmt: skip
    assert told(evidence, "count", "spread_mm", "raw") == (3, D("0.012"), b"38.020 38.008 38.020")
    assert [each.kind for each in readings] == ([Kind.READING] if indication else [])
    assert evidence.members == ((hand.state.sequence,) if indication else None)


@pytest.mark.parametrize("instead", ["nobody", "a thermometer"])
def test_a_window_outlives_its_gauge(instead: str) -> None:
    """A gauge left the station file while its window was open: its evidence is kept, and is nobody's reading."""
    hand = bench()
    there = replace(AIR, link="usb-1")
    thermometers = {"air": AIR if instead == "nobody" else there}
    new = set_up(
        gauges={"bore-2": replace(GAUGE, name="bore-2", link="usb-2")},
        characteristics={},
        thermometers=thermometers,
    )
    hand.load(new)
    assert isinstance(SENT["an indication"], Indication)
    (evidence,) = hand.do(streamed(SENT["an indication"])).records
    assert told(evidence, "kind", "link", "members") == (Kind.STREAM, "usb-1", None)
    assert whose(evidence) == ({} if instead == "nobody" else {"thermometer": "air"})
