"""How masterings and checks are begun, taken and ended: with the right masters, readings and proof, or not at all."""

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.indication import Indication
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION, Kind
from gaugepost.core.setup import Confirm, Display, ScannerEntry
from tests.core.station import RING, Hand, set_up

NEAR = replace(RING, name="ring-2", size_mm=D("38.0312"), serial="R-2")
PLAIN = replace(RING, name="plain", serial=None)
TWIN = replace(RING, name="twin", serial="R-1b")
MASTERS = {"ring-1": RING, "ring-2": NEAR, "plain": PLAIN, "twin": TWIN}
BOTH = ("ring-1", "ring-2"), ("R-1", "R-2")


def bench(**gauge: Any) -> Hand:
    return Hand(set_up(gauge, masters=MASTERS))


def begin(hand: Hand, *given: Any, **more: Any) -> ev.Reply:
    return hand.do(ev.BeginMastering("bore-1", *given, **more)).reply


@pytest.mark.parametrize(
    ("gauge", "given", "more", "refused"),
    [
        ({}, (("ring-1",), ("R-1",)), {}, ""),
        ({}, BOTH, {}, ""),
        ({}, (("ring-1", "ring-2", "plain"), ("R-1", "R-2")), {}, "one master or two different ones"),
        ({}, (("ring-1",), ("R-1",)), {"movement": "up"}, "'up' is no movement"),
        ({}, (("ring-1", "twin"), ("R-1", "R-1b")), {}, "ring-1 and twin have the same size"),
        ({"sense": -1}, (("ring-1",), ("R-1",)), {}, "one master does not show which way bore-1 counts"),
        ({"sense": -1}, (("ring-1",), ("R-1",)), {"movement": "smaller"}, ""),
        ({"sense": -1}, BOTH, {}, ""),
        (
            {"display": Display.FROM_MASTER},
            (("ring-1",), ("R-1",)),
            {},
            "does not show which way bore-1 counts",
        ),
        ({}, (("plain",),), {}, ""),
        ({}, (("plain",), ("R-9",)), {}, ""),
        ({}, (("ring-2", "ring-1"), ("R-1", "R-2")), {}, "the serial number of ring-2 is not R-1"),
        ({}, (("ring-1", "ring-2"), ("R-1",)), {}, "nobody has read the serial number of ring-2"),
        (
            {"confirm": Confirm.SERIAL_NUMBER},
            (("plain",),),
            {},
            "plain has no serial number that could confirm it",
        ),
        ({"confirm": Confirm.SERIAL_NUMBER}, (("ring-1",), ("R-1",)), {}, ""),
        ({"confirm": Confirm.SCAN}, (("ring-1",), ("R-1",)), {}, "no scanner's codes can name ring-1"),
    ],
)
def test_what_a_mastering_takes(
    gauge: dict[str, Any], given: tuple[Any, ...], more: dict[str, Any], refused: str
) -> None:
    """One master or two, confirmed each by its own number, and a proof of the sense where one master gives none."""
    reply = begin(bench(**gauge), *given, **more)
    assert reply.accepted is (refused == "")
    assert refused in reply.text
    assert reply.accepted or reply.hint


def test_who_signs_in_meanwhile_ends_it() -> None:
    """A mastering or check that nobody was signed in for at its beginning is that of who is there at its end."""
    hand = bench(mastering_readings=1)
    begin(hand, ("ring-1",), ("R-1",))
    hand.do(ev.SetTags({"operator": "M1"}))
    assert hand.show("38.004").operator == "M1"
    assert hand.last(Kind.MASTERING).operator == "M1"
    hand.do(ev.SetTags({"operator": None}))
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1"))
    hand.do(ev.SetTags({"operator": "M2"}))
    hand.show("38.004")
    assert hand.last(Kind.CHECK).operator == "M2"


def test_a_mastering_tells_the_worst_of_its_spreads_and_what_it_ends() -> None:
    """Of two masters' readings the wider spread is recorded; one that is refused ends the mastering before it."""
    hand = bench()
    begin(hand, *BOTH, readings=2)
    for shown in ("38.004", "38.005", "38.034", "38.037"):
        hand.show(shown)
    made = hand.last(Kind.MASTERING)
    assert (made.code, made.spread_mm, made.ends_mastering) == ("accepted", D("0.003"), None)
    refused = hand.master("38.104", "38.104")
    assert (refused.code, refused.ends_mastering) == ("refused", True)


def test_a_master_without_a_number_need_not_be_scanned() -> None:
    """A scanner that could name it asks for nothing: there is no serial number that its code would stand for."""
    scanners = {"hand": ScannerEntry(name="hand", link="usb-5", codes=("M {master}",))}
    hand = Hand(set_up(masters=MASTERS, scanners=scanners))
    assert hand.do(ev.BeginMastering("bore-1", ("plain",))).records[0].to_scan is None
    hand.do(ev.Abandon("bore-1"))
    assert hand.do(ev.BeginMastering("bore-1", ("ring-1",))).records[0].to_scan == ("ring-1",)


def test_two_masters_need_no_movement() -> None:
    """A movement that is announced beside two masters is not waited for: they prove the sense themselves."""
    hand = bench()
    begin(hand, *BOTH, readings=1, movement="larger")
    hand.show("38.004")
    hand.show("38.034")
    assert hand.last(Kind.MASTERING).code == "accepted"
    assert hand.last(Kind.MASTERING_BEGUN).code is None


def test_a_movement_is_read_once_after_the_master() -> None:
    """It is announced on the record of the beginning, and the one reading of it is no reading of the master."""
    hand = bench(sense=-1)
    begin(hand, ("ring-1",), ("R-1",), readings=2, movement="larger")
    assert hand.last(Kind.MASTERING_BEGUN).code == "larger"
    for shown in ("38.004", "38.005", "37.980"):
        hand.show(shown)
    made = hand.last(Kind.MASTERING)
    assert (made.code, made.master_indications_mm, made.spread_mm) == (
        "accepted",
        (D("38.0045"),),
        D("0.001"),
    )


@pytest.mark.parametrize("kind", ["mastering", "check"])
def test_usual_numbers_of_readings(kind: str) -> None:
    """Where nobody says how many, the gauge's entry does, one number for masterings and one for checks."""
    hand = bench(mastering_readings=3, check_readings=2).ready()
    event: ev.Event = (
        ev.BeginMastering("bore-1", ("ring-1",), ("R-1",))
        if kind == "mastering"
        else ev.BeginCheck("bore-1", "ring-1", "R-1")
    )
    assert hand.do(event).records[0].count == (3 if kind == "mastering" else 2)


def test_a_procedure_may_end_early() -> None:
    """With each master read once it can be finished; one that was not read can't be left out."""
    hand = bench()
    begin(hand, *BOTH, readings=3)
    for shown in ("38.003", "38.004", "38.005", None):
        refused = hand.do(ev.Finish("bore-1")).reply
        assert (refused.accepted, refused.text) == (False, "ring-2 was not read yet")
        assert refused.hint == "read it at least once after all 3 readings of ring-1"
        if shown is not None:
            hand.show(shown)
    hand.show("38.034")
    done = hand.do(ev.Finish("bore-1"))
    assert (done.reply.accepted, done.records[0].master_indications_mm) == (True, (D("38.004"), D("38.034")))
    check = bench().ready()
    check.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=3))
    refused = check.do(ev.Finish("bore-1")).reply
    assert (refused.accepted, refused.hint) == (False, "read it at least once")
    check.show("38.004")
    assert check.do(ev.Finish("bore-1")).records[0].code == "passed"


@pytest.mark.parametrize(("readings", "times"), [(1, "once"), (2, "2 times")])
def test_what_goes_on_is_told(readings: int, times: str) -> None:
    """Who begins is told what to measure and how often, who begins another what goes on; who gives up is recorded."""
    hand = bench().ready()
    hand.do(ev.SetTags({"operator": "M1"}))
    begun = hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=readings)).reply
    assert begun.text == f"measure ring-1 {times} with bore-1"
    for what in ("check", "mastering"):
        assert begin(hand, ("ring-1",), ("R-1",)).text == f"a {what} of bore-1 on ring-1 is going on"
        given_up = hand.do(ev.Abandon("bore-1"))
        assert (given_up.reply.accepted, given_up.records[0].operator) == (True, "M1")
        begin(hand, ("ring-1",), ("R-1",))


def test_nothing_goes_on_that_could_be_ended() -> None:
    """Finishing or abandoning what was not begun, at a gauge that nobody knows or that is at rest, is refused."""
    hand = bench().ready()
    for gauge in ("bore-1", "bore-9"):
        for event in (ev.Finish(gauge), ev.Abandon(gauge)):
            reply = hand.do(event).reply
            assert not reply.accepted
            assert f"no mastering or check of {gauge} is going on" in reply.text


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (Indication("1.49620", D("1.49620"), Unit.INCH, b"1"), "sent in in, but the station file says mm"),
        (Indication("39.004", D("39.004"), Unit.MM, b"2"), "outside the gauge's range of 37 to 39 mm"),
        (Indication("38.004", D("38.004"), None, b"3"), "the frame names no unit"),
    ],
)
def test_what_does_not_count_as_a_masters_reading_is_kept(sent: Indication, reason: str) -> None:
    """In another unit, or beyond what the gauge can show: a reading, not judged, and the master is still to be read."""
    declared = None if sent.unit is None else Unit.MM
    hand = bench(unit=declared, indication_range_mm=(D(37), D(39)))
    hand.do(ev.SetTags({"operator": "M1"}))
    begin(hand, ("ring-1",), ("R-1",), readings=2)
    hand.show("38.004")
    (kept,) = hand.do(ev.Arrived("usb-1", sent)).records
    assert (kept.kind, kept.verdict, kept.count, kept.derivation) == (
        Kind.READING,
        "not-judged",
        None,
        DERIVATION,
    )
    assert (kept.raw, kept.operator, kept.master) == (sent.raw, "M1", "ring-1")
    assert any(reason in each for each in kept.reasons or ())
    assert hand.show("38.004").count == 2
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_a_gauge_confirms_itself_on_no_ring() -> None:
    """A first check is on another ring than the mastering; after one that passed any ring does."""
    hand = bench(confirm=Confirm.SECOND_MASTER)
    hand.master("38.004", "38.004")
    begun = hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1")).reply
    assert (begun.accepted, "can't confirm itself" in begun.text) == (False, True)
    assert hand.check("38.034", "ring-2").code == "passed"
    hand.do(ev.Report("bore-1", "knock"))
    assert hand.check("38.004").code == "passed"
    hand.master("38.004", "38.004")
    assert not hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1")).reply.accepted


def suspects(hand: Hand) -> list[int | None]:
    return [record.count for record in hand.records if record.kind is Kind.SUSPECT]


def test_nothing_is_in_doubt_where_nothing_was_measured() -> None:
    """A check that fails, or a jump, right after a good check casts doubt on no reading, and no record says so."""
    hand = bench(jump_limit_mm=D("0.005")).ready()
    assert hand.check("38.009").code == "failed"
    hand.check("38.004")
    assert "from the last mastering" in "; ".join(hand.master("38.010", "38.010").reasons or ())
    assert suspects(hand) == []


def test_a_mastering_that_is_refused_casts_no_doubt() -> None:
    """A jump counts once a mastering is accepted: what was refused for its spread says nothing of earlier readings."""
    hand = bench(jump_limit_mm=D("0.005"), spread_limit_mm=D("0.003")).ready()
    hand.show("38.010")
    refused = hand.master("38.012", "38.020")
    assert refused.code == "refused"
    assert "from the last mastering" in "; ".join(refused.reasons or ())
    assert suspects(hand) == []
    hand.master("38.012", "38.012")
    assert suspects(hand) == [1]


def test_a_display_that_changes_during_a_check_fails_it() -> None:
    """Readings with two steps make no check: it fails, whatever their mean, and says why."""
    hand = bench().ready()
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2))
    hand.show("38.004")
    hand.show("38.0040")
    check = hand.last(Kind.CHECK)
    assert (check.code, check.reasons) == (
        "failed", ("the unit or the resolution changed during the check",),
    )  # fmt: skip
