"""Mastering and checks: how they are begun, refused, accepted, and everything that ends their force."""

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.standing import standing
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Kind
from gaugepost.core.setup import Body, DeclaredTemperature, Display
from tests.core.station import AIR, GAUGE, RING, Hand, set_up

RING_2 = replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")
TWO_RINGS = {"ring-1": RING, "ring-2": RING_2}


def begin(hand: Hand, *masters: str, serials: tuple[str, ...] = ("R-1",), **more: Any) -> ev.Reply:
    return hand.do(ev.BeginMastering("bore-1", masters, serials, **more)).reply


@pytest.mark.parametrize(
    ("masters", "serials", "finding"),
    [
        (("ring-9",), ("R-1",), "no master is named 'ring-9'"),
        (("ring-1",), (), "nobody has read the serial number of ring-1"),
        (("ring-1",), ("R-2",), "the serial number of ring-1 is not R-2"),
        (("ring-1", "ring-1"), ("R-1", "R-1"), "one master or two different ones"),
        ((), (), "one master or two different ones"),
    ],
)
def test_mastering_is_refused(masters: tuple[str, ...], serials: tuple[str, ...], finding: str) -> None:
    """A wrong, unconfirmed or unknown master is refused, with what to do, and nothing is recorded."""
    hand = Hand(set_up())
    before = len(hand.records)
    reply = begin(hand, *masters, serials=serials)
    assert not reply.accepted
    assert finding in reply.text
    assert reply.hint
    assert len(hand.records) == before


def test_overdue_calibration() -> None:
    """An overdue ring masters nothing; an overdue gauge gets no verdict; the due day itself still counts."""
    hand = Hand(set_up())
    due = hand.now.utc_ms + 3_600_000
    hand = Hand(set_up({"due_utc_ms": due}, masters={"ring-1": replace(RING, due_utc_ms=due)})).ready()
    assert hand.show("38.010").verdict == "in-limits"
    hand.wait(3_600_000)
    assert hand.show("38.010").reasons == (
        "the gauge's calibration is overdue",
        "the calibration of ring-1 is overdue",
    )
    assert "overdue" in begin(hand, "ring-1").text


def test_gauge_that_is_not_there() -> None:
    """A gauge whose link is lost, or that nobody knows, can't be mastered."""
    hand = Hand(set_up())
    hand.do(ev.LinkDown("usb-1", "unplugged"))
    assert "not connected" in begin(hand, "ring-1").text
    assert "no gauge is named" in hand.do(ev.BeginMastering("x", ("ring-1",))).reply.text
    assert "never mastered" in Hand(set_up()).do(ev.BeginCheck("bore-1", "ring-1", "R-1")).reply.text


def test_one_procedure_at_a_time() -> None:
    """A second mastering waits for the first to end or be abandoned; abandoning leaves the old one in doubt."""
    hand = Hand(set_up()).ready()
    begin(hand, "ring-1")
    assert "is going on" in begin(hand, "ring-1").text
    assert hand.do(ev.Abandon("bore-1", "ring dropped")).reply.accepted
    assert hand.show("38.010").reasons == ("a mastering was begun and abandoned: ring dropped",)
    assert not hand.do(ev.Abandon("bore-1")).reply.accepted


@pytest.mark.parametrize(
    ("digits", "finding"),
    [
        (("38.060", "38.060"), "showed 38.060 mm on ring-1, where 38.0012 mm was to be expected"),
        (("38.004", "38.00"), "the unit or the resolution changed"),
        (("0.003", "0.003"), "another master, or not preset"),
    ],
)
def test_implausible_mastering_is_refused(digits: tuple[str, ...], finding: str) -> None:
    """A wrong ring, a gauge not preset or one that changed its display meanwhile: refused, and verdicts stop."""
    hand = Hand(set_up()).ready()
    refused = hand.master(*digits)
    assert refused.code == "refused"
    assert any(finding in reason for reason in refused.reasons or ()), refused.reasons
    assert "the last mastering was refused" in (hand.show("38.010").reasons or ())
    assert hand.master("38.004", "38.004").code == "accepted"


def test_resolution_coarser_than_declared() -> None:
    """A gauge that shows coarser steps than the station file says is not the gauge that was thought of."""
    hand = Hand(set_up({"resolution_mm": D("0.001")}))
    assert "shown in steps of 0.01 mm" in (hand.master("38.00", "38.00").reasons or ("",))[0]
    changed = hand.master("38.004", "38.00").reasons or ("",)
    assert [why.split(",")[0] for why in changed[:2]] == [
        "the unit or the resolution changed while the master was read",
        "shown in steps of 0.01 mm",
    ]


def test_a_check_without_the_gauge_s_temperature_is_not_corrected() -> None:
    """It was known at the mastering, and is too old by now: the ring's alone says nothing of the gauge's growth."""
    own = replace(AIR, name="own", link="usb-8", body=Body.GAUGE, stands_in_for=())
    ring = replace(own, name="ring", link="usb-9", body=Body.MASTER)
    hand = Hand(set_up({"coefficient": D("5E-6")}, thermometers={"own": own, "ring": ring}))
    for name in ("own", "ring"):
        hand.warm("22.0", name)
    hand.ready()
    assert hand.last(Kind.CHECK).thermal_correction_mm is not None
    hand.wait(own.max_age_ms)
    hand.warm("22.0", "ring")
    check = hand.check("38.004")
    assert (check.gauge_temperature_c, check.master_temperature_c) == (None, D("22.0"))
    assert check.thermal_correction_mm is None


def test_mean_and_spread() -> None:
    """The offset comes from the mean of the readings, and their spread is recorded."""
    hand = Hand(set_up())
    mastering = hand.master("38.003", "38.004", "38.006")
    assert mastering.master_indications_mm == (D("38.004333333"),)
    assert mastering.spread_mm == D("0.003")
    assert len(mastering.members or ()) == 3


def test_comparator_needs_its_sense_proved() -> None:
    """An indicator could be fitted the wrong way round: one ring alone does not show it, a known movement does."""
    comparator = {"display": Display.FROM_MASTER}
    assert "which way bore-1 counts" in begin(Hand(set_up(comparator)), "ring-1").text
    assert "which way bore-1 counts" in begin(Hand(set_up({"sense": -1})), "ring-1").text
    hand = Hand(set_up(comparator))
    begin(hand, "ring-1", readings=1, movement="larger")
    hand.show("0.002")
    hand.show("0.030")
    assert hand.last(Kind.MASTERING).code == "accepted"
    hand.check("0.002")
    assert hand.show("0.012").value_mm == D("38.0112")


@pytest.mark.parametrize(
    ("moved", "finding"),
    [("-0.030", "the sense is wrong"), ("0.004", "it proves nothing")],
)
def test_movement_that_proves_nothing(moved: str, finding: str) -> None:
    """A movement the other way, or hardly any, refuses the mastering."""
    hand = Hand(set_up({"display": Display.FROM_MASTER}))
    begin(hand, "ring-1", readings=1, movement="larger")
    hand.show("0.002")
    hand.show(moved)
    assert finding in (hand.last(Kind.MASTERING).reasons or ("",))[0]


def test_falling_indication() -> None:
    """A gauge whose indication falls as the size grows is turned round: a lower indication is a larger bore."""
    hand = Hand(set_up({"display": Display.FROM_MASTER, "sense": -1}))
    begin(hand, "ring-1", readings=1, movement="larger")
    hand.show("0.000")
    hand.show("-0.050")
    assert hand.last(Kind.MASTERING).code == "accepted"
    hand.check("0.000")
    reading = hand.show("-0.010")
    assert reading.value_mm == D("38.0112")
    assert reading.value_mm == -D("-0.010") + (reading.master_correction_mm or 0)


def test_two_masters() -> None:
    """Two rings fix offset and scale, prove the sense, and are refused when they were exchanged."""
    hand = Hand(set_up({"display": Display.FROM_MASTER}, masters=TWO_RINGS))
    begin(hand, "ring-1", "ring-2", serials=("R-1", "R-2"), readings=1)
    hand.show("0.000")
    hand.show("0.049")
    mastering = hand.last(Kind.MASTERING)
    assert (mastering.code, mastering.master) == ("accepted", "ring-1+ring-2")
    hand.check("0.049", "ring-2")
    assert hand.last(Kind.CHECK).error_mm == 0
    begin(hand, "ring-1", "ring-2", serials=("R-1", "R-2"), readings=1)
    hand.show("0.005")
    hand.show("-0.044")
    assert any("exchanged" in reason for reason in hand.last(Kind.MASTERING).reasons or ())


def test_from_nominal_display() -> None:
    """A gauge set to count from the nominal shows the ring's deviation on the ring."""
    hand = Hand(set_up({"display": Display.FROM_NOMINAL, "nominal_mm": D(38)}, masters=TWO_RINGS))
    begin(hand, "ring-1", "ring-2", serials=("R-1", "R-2"), readings=1)
    hand.show("0.002")
    hand.show("0.052")
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_check_that_fails_makes_everything_since_the_last_good_one_suspect() -> None:
    """After a failed check verdicts stop, and a record names what the gauge measured since the last good check."""
    hand = Hand(set_up()).ready()
    first = hand.state.sequence + 1
    for digits in ("38.010", "38.011", "38.012"):
        hand.show(digits)
    last_reading = hand.state.sequence
    failed = hand.check("38.007")
    assert (failed.code, failed.limit_mm) == ("failed", D("0.002"))
    assert failed.error_mm == D("0.003")
    suspect = hand.last(Kind.SUSPECT)
    assert suspect.first == first
    assert suspect.last is not None
    assert suspect.last >= last_reading
    assert suspect.count == 3
    assert "the last check failed" in (hand.show("38.010").reasons or ())
    assert hand.check("38.004").code == "passed"
    assert hand.show("38.010").verdict == "in-limits"


def test_check_at_another_temperature() -> None:
    """A check is corrected to 20 °C like a part: a steel ring and gauge that warmed together pass."""
    hand = Hand(set_up(thermometers={"air": AIR}))
    hand.warm("20.00")
    hand.master("38.004", "38.004")
    hand.warm("26.00")
    check = hand.check("38.004")
    assert check.code == "passed"
    assert check.thermal_correction_mm == 0


@pytest.mark.parametrize("what", ["knock", "contacts", "extension", "preset", "battery", "repair"])
def test_reports_end_the_mastering(what: str) -> None:
    """What a person reports about a gauge stops verdicts until a check passes."""
    hand = Hand(set_up()).ready()
    assert hand.do(ev.Report("bore-1", what, "at the bench")).reply.accepted
    assert hand.show("38.010").reasons == (f"{ev.REPORTS[what]}: at the bench",)
    hand.check("38.004")
    assert hand.show("38.010").verdict == "in-limits"
    assert not hand.do(ev.Report("bore-1", "rain")).reply.accepted


def test_link_lost_ends_the_mastering() -> None:
    """A gauge that was unplugged is checked before its next verdict; another link's loss does not matter."""
    hand = Hand(set_up()).ready()
    hand.do(ev.LinkDown("usb-9", "unplugged"))
    assert hand.show("38.010").verdict == "in-limits"
    hand.do(ev.LinkDown("usb-1", "unplugged"))
    assert hand.do(ev.LinkDown("usb-1", "again")).records == ()
    hand.do(ev.LinkUp("usb-1", "a port"))
    assert hand.show("38.010").reasons == ("the link usb-1 was lost",)


def test_time_and_count_end_the_mastering() -> None:
    """Hours by a clock that counts through sleep, and readings, each end it; a passed check starts them anew."""
    hand = Hand(set_up({"valid_count": 2})).ready()
    assert [hand.show(d).verdict for d in ("38.010", "38.011", "38.012")] == [
        "in-limits",
        "in-limits",
        "not-judged",
    ]
    hand.check("38.004")
    hand.wait(8 * 3_600_000)
    assert hand.show("38.010").reasons == ("last checked more than 8 h ago",)


def test_band_ends_the_mastering() -> None:
    """A gauge warmer than its band allows is checked again, also after it has cooled down."""
    hand = Hand(set_up({"valid_band_k": D(2)}, thermometers={"air": AIR}))
    hand.warm("21.00")
    hand.ready()
    hand.warm("23.50")
    assert "more than 2 K apart" in (hand.show("38.010").reasons or ("",))[0]
    hand.warm("21.00")
    assert hand.show("38.011").verdict == "not-judged"
    hand.check("38.004")
    assert hand.show("38.012").verdict == "in-limits"


@pytest.mark.parametrize(
    "edited",
    [
        {"gauge": {"maximum_error_mm": D("0.004")}},
        {"masters": {"ring-1": replace(RING, size_mm=D("38.0013"))}},
        {"declared": (DeclaredTemperature(body=Body.PART, celsius=D(22)),)},
        {"thermometers": {"air": AIR}},
    ],
)
def test_edited_entries_end_the_mastering(edited: dict[str, Any]) -> None:
    """An edit of the gauge's, its master's or the temperatures' entries is followed by a check."""
    hand = Hand(set_up()).ready()
    hand.load(set_up(**edited))
    assert "was edited" in (hand.show("38.010").reasons or ("",))[0]


@pytest.mark.parametrize(("derivation", "code"), [(4, "accepted"), (DERIVATION, "refused")])
def test_two_masters_four_steps_apart_gave_a_scale_by_earlier_rules(derivation: int, code: str) -> None:
    """What was mastered then is derived again as it was."""
    hand = Hand(set_up(masters=TWO_RINGS), State(derivation=derivation))
    begin(hand, "ring-1", "ring-2", serials=("R-1", "R-2"), readings=1)
    hand.show("38.004")
    hand.show("38.008")
    assert hand.last(Kind.MASTERING).code == code


@pytest.mark.parametrize(("derivation", "named"), [(4, None), (DERIVATION, DERIVATION)])
def test_a_doubt_says_by_which_rules_it_counts(derivation: int, named: int | None) -> None:
    """From derivation 5 on, by which what is in doubt enters no result; before, it said none."""
    hand = Hand(set_up(), State(derivation=derivation)).ready()
    hand.show("38.010")
    assert hand.check("38.009").code == "failed"
    assert hand.last(Kind.SUSPECT).derivation == named


def test_other_edits_do_not() -> None:
    """The same file again is no record; another gauge's or ring's entry leaves this one alone."""
    hand = Hand(set_up()).ready()
    assert hand.load(set_up()).records == ()
    other = replace(GAUGE, name="bore-2", link="usb-2")
    hand.load(set_up(masters=TWO_RINGS, gauges={"bore-1": GAUGE, "bore-2": other}))
    assert hand.show("38.010").verdict == "in-limits"


def test_lots_open_and_close_with_a_check() -> None:
    """Measured pieces of one lot are followed by a check before the next lot; one check serves both."""
    hand = Hand(set_up()).ready()
    hand.do(ev.SetTags({"lot": "L1"}))
    assert hand.show("38.010").verdict == "in-limits"
    hand.do(ev.SetTags({"lot": "L2"}))
    assert hand.show("38.010").reasons == ("the lot changed: check before measuring on",)
    hand.check("38.004")
    hand.do(ev.SetTags({"lot": "L3"}))
    assert hand.show("38.010").verdict == "in-limits"
    off = Hand(set_up(lot_checks=False)).ready()
    for lot in ("L1", "L2"):
        off.do(ev.SetTags({"lot": lot}))
        assert off.show("38.010").verdict == "in-limits"


def test_restart_alone_does_not_end_it_but_a_clock_behind_does() -> None:
    """After a start of the computer durations come from wall time; if that went back, verdicts wait for a check."""
    hand = Hand(set_up()).ready()
    hand.now = Moment(hand.now.utc_ms + 60_000, 5_000, "boot-2")
    hand.do(ev.Started("test"))
    hand.do(ev.LinkUp("usb-1", "a port"))
    assert hand.show("38.010").verdict == "in-limits"
    hand.now = Moment(hand.now.utc_ms - 3_600_000, 5_000, "boot-3")
    started = hand.do(ev.Started("test")).records[0]
    assert started.ends_mastering
    hand.do(ev.LinkUp("usb-1", "a port"))
    reasons = hand.show("38.010").reasons or ()
    assert "the wall clock went back across a start of the computer" in reasons


def test_doubtful_reading_during_mastering_is_kept_apart() -> None:
    """A frame in another unit than declared does not count as a reading of the master."""
    hand = Hand(set_up({"unit": Unit.MM}))
    begin(hand, "ring-1", readings=2)
    assert hand.show("1.49625", unit=Unit.INCH).verdict == "not-judged"
    hand.show("38.004")
    assert hand.show("38.004").kind is Kind.MASTER_READING
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_standing_names_every_reason() -> None:
    """All reasons are listed, not the first one only."""
    hand = Hand(set_up()).ready()
    hand.do(ev.Report("bore-1", "knock"))
    hand.do(ev.LinkDown("usb-1", "unplugged"))
    hand.wait(9 * 3_600_000)
    assert len(standing(hand.state, "bore-1", hand.now)) == 3


@pytest.mark.parametrize(
    "changes",
    [{"piece": ""}, {"piece": "x" * 65}, {"lot": "a\nb"}, {"colour": "red"}, {"operator": "\x1b[2J"}],
)
def test_tags_that_cannot_be(changes: dict[str, str | None]) -> None:
    """Empty, endless or unprintable tags are refused with what can be written."""
    reply = Hand(set_up()).do(ev.SetTags(changes)).reply
    assert not reply.accepted
    assert reply.hint
