"""What is told of gauges, masters and thermometers at the edges of time: to the moment, and to whom it belongs."""

from dataclasses import replace
from datetime import UTC
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import Decision, events as ev
from gaugepost.core.bench.state import GaugeState, Shown, State
from gaugepost.core.bench.trust import history, moved_k, settles_in_ms, still_drifting, trends
from gaugepost.core.bench.trust.confirming import names_master
from gaugepost.core.bench.trust.steps import said, scanned
from gaugepost.core.indication import Code, Indication, Moment
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Display, ScannerEntry
from tests.core.station import AIR, GAUGE, RING, Hand, set_up

MINUTE, HOUR = 60_000, 3_600_000
OTHER = replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")
MASTERS = {"ring-1": RING, "ring-2": OTHER}
SCANNERS = {"hand": ScannerEntry(name="hand", link="usb-5", codes=("SN {serial_number}",))}


def known(hand: Hand) -> GaugeState:
    return hand.state.gauges["bore-1"]


def scan(hand: Hand, text: str) -> Record:
    return hand.do(ev.Arrived("usb-5", Code(text, text.encode()))).records[0]


def test_what_has_become_due_is_told_with_its_reasons() -> None:
    """All that has become due since the last look is in one condition, and is told once."""
    hand = Hand(set_up({"check_every_ms": HOUR, "valid_count": 1})).ready()
    hand.show("38.010")
    hand.wait(HOUR)
    (due,) = hand.do(ev.LookAhead(UTC)).records
    assert (due.code, due.gauge, due.text) == (
        "check-due",
        "bore-1",
        "the check every 1 h is due; 1 readings since the last check",
    )
    assert hand.do(ev.LookAhead(UTC)).records == ()


def test_a_gauge_that_was_not_checked_yet_is_told_nothing() -> None:
    """Before its first mastering, and between that and its check, it waits for other reasons."""
    hand = Hand(set_up({"check_every_ms": HOUR, "check_at_min": (0,), "valid_count": 1}))
    hand.wait(30 * HOUR)
    assert hand.do(ev.LookAhead(UTC)).records == ()
    hand.master("38.004", "38.004")
    hand.wait(30 * HOUR)
    assert hand.do(ev.LookAhead(UTC)).records == ()
    hand.check("38.004")
    hand.master("38.004", "38.004")
    hand.wait(30 * HOUR)
    assert hand.do(ev.LookAhead(UTC)).records == ()
    assert known(hand).checked is None


@pytest.mark.parametrize(
    ("code", "serial", "named"),
    [
        ("SN {serial_number}", "R-1", True),
        ("SN {serial_number}", None, False),
        ("M {master}", None, True),
        ("{lot}/{piece}", "R-1", False),
    ],
)
def test_which_codes_can_name_a_master(code: str, serial: str | None, named: bool) -> None:
    """By its name every master, by its serial number one that has a number, and by nothing else any."""
    assert names_master((code,), replace(RING, serial=serial)) is named
    assert names_master(("{lot}", code), replace(RING, serial=serial)) is named


def test_a_scan_says_what_it_confirms() -> None:
    """The right ring's code says for which gauge it stands; another's says what goes on, mastering or check."""
    hand = Hand(set_up(masters=MASTERS, scanners=SCANNERS)).ready()
    hand.do(ev.BeginCheck("bore-1", "ring-1"))
    assert scan(hand, "SN R-2").text == (
        "that is ring-2, and the check of bore-1 is on ring-1 now: take ring-1 in hand and scan it"
    )
    assert scan(hand, "SN R-1").text == "master ring-1 for bore-1"


def test_a_scan_that_fits_none_is_told_of_what_was_begun_last() -> None:
    """Two masterings go on and the ring is neither's: who scans has just begun one of them."""
    second = replace(GAUGE, name="bore-2", link="usb-2")
    hand = Hand(set_up(gauges={"bore-1": GAUGE, "bore-2": second}, masters=MASTERS, scanners=SCANNERS))
    for gauge in ("bore-2", "bore-1"):
        hand.do(ev.BeginMastering(gauge, ("ring-1",)))
    assert scan(hand, "SN R-2").gauge == "bore-1"
    assert scan(hand, "SN R-1").gauge == "bore-1"
    hand.do(ev.Abandon("bore-1"))
    assert scan(hand, "SN R-1").gauge == "bore-2"


def test_a_known_movement_is_no_masters_reading() -> None:
    """With the ring read and only the movement left, no ring is to be scanned any more."""
    hand = Hand(set_up({"display": Display.FROM_MASTER}, masters=MASTERS, scanners=SCANNERS))
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1, movement="larger"))
    assert scan(hand, "SN R-1").code == "taken"
    hand.show("0.002")
    assert "no master is to be read now" in (scan(hand, "SN R-1").text or "")
    hand.show("0.012")
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_what_a_thermometer_showed_is_kept_ten_seconds_apart() -> None:
    """Ten seconds after the last value kept another one is, whenever that was; what is two hours old is."""
    begun = Moment(0, 1_000_000, "boot-1")
    for apart, kept in ((9_999, 1), (10_000, 2)):
        shown = history(Shown(D(20), begun), D(21), replace(begun, clock_ms=1_000_000 + apart))
        assert len(history(shown, D(22), replace(begun, clock_ms=1_050_000)).earlier) == kept
    long_after = history(shown, D(22), replace(begun, clock_ms=1_010_000 + 7_200_000))
    assert long_after.earlier == ((1_010_000, D(21)),)
    assert history(shown, D(22), replace(begun, clock_ms=1_010_001 + 7_200_000)).earlier == ()


LASTING = replace(AIR, max_age_ms=2 * HOUR)
SOAK = {"soak_k": D("0.2"), "soak_window_ms": 10 * MINUTE}


def drifting(
    *shown: tuple[int, str], boot: str = "boot-1", gauge: dict[str, Any] | None = None
) -> tuple[str, ...]:
    """Return what still drifts at minute 100 by what the air showed, at minutes of boot-1 and in °C."""
    hand = Hand(set_up(SOAK if gauge is None else gauge, thermometers={"air": LASTING}))
    kept: Shown | None = None
    for minute, celsius in shown:
        kept = history(kept, D(celsius), Moment(minute * MINUTE, minute * MINUTE, "boot-1"))
    assert kept is not None
    clock_ms = 100 * MINUTE if boot == "boot-1" else 5_000
    return still_drifting(
        replace(hand.state, temperatures={"air": kept}), "bore-1", Moment(100 * MINUTE, clock_ms, boot)
    )


@pytest.mark.parametrize(
    ("shown", "drifts"),
    [
        (((80, "20.3"), (85, "20.0")), False),  # 20.0 since before the window
        (((80, "20.3"), (89, "20.0")), False),
        (((80, "20.3"), (90, "20.0")), True),  # 20.3 until it began
        (((80, "20.3"), (90, "20.0"), (99, "20.0")), True),
        (((80, "20.3"), (91, "20.0")), True),
    ],
)
def test_what_held_as_the_window_began_counts(shown: tuple[tuple[int, str], ...], drifts: bool) -> None:
    """A temperature that was left at its first moment belongs to the window; one that was left before does not."""
    assert bool(drifting(*shown)) is drifts


def test_another_start_of_the_computer_tells_no_drift() -> None:
    """What was shown before it is fresh by the wall clock, and nobody knows how long it took to get there."""
    shown = ((98, "20.3"), (99, "20.0"))
    assert drifting(*shown)
    assert drifting(*shown, boot="boot-2") == ()


@pytest.mark.parametrize(
    ("shown", "left_ms"),
    [
        (((85, "20.3"),), 0),
        (((95, "20.2"), (99, "20.0")), 0),  # as far as is allowed
        (((95, "20.3"), (99, "20.0")), 9 * MINUTE + 1),
        (((80, "20.3"), (90, "20.0")), 1),
        (((92, "20.4"), (95, "20.2"), (99, "20.0")), 5 * MINUTE + 1),
        (((92, "20.0"), (95, "20.3"), (99, "20.1")), 5 * MINUTE + 1),
        (((91, "20.0"), (92, "20.3"), (94, "19.9"), (99, "20.2")), 9 * MINUTE + 1),
    ],
)
def test_a_soak_ends_when_what_moved_too_far_has_left_the_window(
    shown: tuple[tuple[int, str], ...], left_ms: int
) -> None:
    """Within ten minutes 0.2 K: what is left until then is told to the millisecond, as if it stood still from now."""
    kept: Shown | None = None
    for minute, celsius in shown:
        kept = history(kept, D(celsius), Moment(0, minute * MINUTE, "boot-1"))
    assert kept is not None
    limit_k, window_ms, now = D("0.2"), 10 * MINUTE, Moment(0, 100 * MINUTE, "boot-1")
    assert settles_in_ms(kept, limit_k, window_ms, now) == left_ms
    assert moved_k(kept, window_ms, replace(now, clock_ms=now.clock_ms + left_ms)) <= limit_k
    if left_ms:
        assert moved_k(kept, window_ms, replace(now, clock_ms=now.clock_ms + left_ms - 1)) > limit_k


@pytest.mark.parametrize("left_out", ["soak_k", "soak_window_ms"])
def test_a_soak_needs_both_its_bounds(left_out: str) -> None:
    """How far and within what time: with one of them alone nothing is held."""
    half = {name: bound for name, bound in SOAK.items() if name != left_out}
    assert drifting((98, "20.3"), (99, "20.0"), gauge=half) == ()


@pytest.mark.parametrize(("steps", "found"), [("1.25", False), ("1.30", True)])
def test_a_trend_begins_where_the_displays_step_explains_it_no_more(steps: str, found: bool) -> None:
    """Four readings on a line: t99(2)·√(1/12/5) is 1.281 steps from one to the next (GUM, F.2.2.1; t 9.925: tables)."""
    step = D("0.001")
    for sense in (1, -1):
        readings = tuple(D(38) + sense * at * step * D(steps) for at in range(4))
        wandered = trends(readings, step)
        assert (wandered is not None) is found
        assert wandered is None or wandered == sense * D("0.0039")


JUMP = {"jump_limit_mm": D("0.005")}


def test_a_mastering_that_agrees_with_the_last_casts_no_doubt() -> None:
    """As far from it as the limit, readings since the last good check stay; one step further they are suspect."""
    for shown, suspect in (("38.009", 0), ("38.010", 1)):
        hand = Hand(set_up(JUMP)).ready()
        hand.show("38.010")
        assert hand.master(shown, shown).code == "accepted"
        assert sum(record.kind is Kind.SUSPECT for record in hand.records) == suspect


def test_a_mastering_without_temperatures_has_no_span_at_20_degrees() -> None:
    """Nothing is corrected by it later, once a thermometer is there: its ring may have been at any temperature."""
    hand = Hand(set_up(thermometers={"air": AIR})).ready()
    mastered = known(hand).mastered
    assert mastered is not None
    assert mastered.warm is None
    hand.warm("26.0")
    assert hand.show("38.010").thermal_correction_mm is None


@pytest.mark.parametrize(("derivation", "jumped"), [(3, False), (4, True)])
def test_earlier_journals_compared_the_first_ring_alone(derivation: int, jumped: bool) -> None:
    """A jump on the second ring of two is one since derivation 4; what was recorded before comes out as it was."""
    hand = Hand(set_up(JUMP, masters=MASTERS), State(derivation=derivation))
    for second in ("38.0540", "38.0640"):
        hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1", "R-2"), readings=1))
        hand.show("38.0040")
        hand.show(second)
    mastering = hand.last(Kind.MASTERING)
    assert mastering.code == "accepted"
    assert any("from the last mastering" in reason for reason in mastering.reasons or ()) is jumped


def test_a_check_in_the_other_unit_is_what_counts_from_then_on() -> None:
    """A gauge switched to inches is judged again once a check in inches has passed, and in mm no more."""
    hand = Hand(set_up()).ready()
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=1))
    hand.show("1.49622", unit=Unit.INCH)
    assert hand.last(Kind.CHECK).code == "passed"
    assert hand.show("1.49640", unit=Unit.INCH).verdict == "in-limits"
    assert hand.show("38.010").reasons == ("the unit changed from in to mm",)


def test_a_scan_counts_for_what_goes_on_alone() -> None:
    """Where records are missing a master's scan may be found with nothing going on; contacts' codes name no master."""
    hand = Hand(set_up(masters=MASTERS, scanners=SCANNERS)).ready()
    record = Record(
        kind=Kind.SCAN, measured_at=0, clock_ms=0, gauge="bore-1", code="refused", master="ring-1"
    )
    assert scanned(hand.state, record) is hand.state
    hand.do(ev.BeginCheck("bore-1", "ring-1"))
    for other in (replace(record, master=None), replace(record, gauge="bore-9"), replace(record, gauge=None)):
        assert scanned(hand.state, other) is hand.state
    assert scanned(hand.state, record) is not hand.state


def condition(**fields: Any) -> Record:
    return Record(kind=Kind.CONDITION, measured_at=0, clock_ms=0, **fields)


def test_what_is_said_of_no_gauge_changes_none() -> None:
    """A condition of a link alone, or of a gauge that the station file has no more, is only kept."""
    hand = Hand(set_up()).ready()
    for record in (condition(link="usb-1", code="lost"), condition(gauge="bore-9", ends_mastering=True)):
        assert said(hand.state, record) is hand.state


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"text": "bumped", "code": "knock"}, "bumped"),
        ({"code": "battery-changed"}, "battery-changed"),
        ({}, "reported"),
    ],
)
def test_what_ends_a_mastering_says_why(fields: dict[str, str], reason: str) -> None:
    """In words where there are any, else by its code; once, however often it is said."""
    state = Hand(set_up()).ready().state
    record = condition(gauge="bore-1", ends_mastering=True, **fields)
    once = said(state, record)
    assert once.gauges["bore-1"].due == (reason,)
    assert said(once, record).gauges["bore-1"].due == (reason,)


def test_only_what_we_told_ourselves_counts_as_told() -> None:
    """A gauge may send a code that is spelled like ours, and says nothing of what was told of its schedule."""
    state = Hand(set_up()).ready().state
    assert said(state, condition(gauge="bore-1", code="check-due")).gauges["bore-1"].told == ("check-due",)
    for other in (
        condition(gauge="bore-1", code="check-due", link="usb-1"),
        condition(gauge="bore-1", code="knock"),
    ):
        assert said(state, other).gauges["bore-1"].told == ()


def again(hand: Hand, after_ms: int) -> Decision:
    hand.wait(after_ms)
    return hand.at_once(ev.Arrived("usb-1", Indication("38.004", D("38.004"), Unit.MM, b"38.004 mm")))


def test_a_masters_reading_that_is_sent_twice_is_one() -> None:
    """The last frame of a mastering, sent once more at once, is no reading of a part; nor is it within a mastering."""
    hand = Hand(set_up())
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2))
    hand.show("38.004")
    assert [record.kind for record in again(hand, 100).records] == [Kind.SUPPRESSED]
    hand.show("38.004")
    assert [record.kind for record in again(hand, 100).records] == [Kind.SUPPRESSED]
    assert [record.kind for record in again(hand, 400).records] == [Kind.READING]


def test_whoever_begins_a_mastering_made_it() -> None:
    """It carries who began it, also where somebody else has signed in before it ends."""
    hand = Hand(set_up())
    hand.do(ev.SetTags({"operator": "M1"}))
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1, operator="M2"))
    assert known(hand).procedure is not None
    hand.show("38.004")
    assert hand.last(Kind.MASTERING).operator == "M2"
