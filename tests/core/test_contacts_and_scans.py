"""Contact sets and scanned masters: what is on the gauge, what is in the hand, and what neither may pass for."""

from dataclasses import replace
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import Decision, events as ev
from gaugepost.core.bench.arrivals.scanner import compiled
from gaugepost.core.errors import ValueRefused
from gaugepost.core.indication import Code
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Confirm, ScannerEntry, SetUp
from tests.core.station import GAUGE, RING, Hand, set_up

RING_2 = replace(RING, name="ring-2", size_mm=D("38.0512"), serial="R-2")
PLAIN = replace(RING, name="plain", serial=None)
MASTERS = {each.name: each for each in (RING, RING_2, PLAIN)}
CODES = ("SN {serial_number}", "MASTER {master}", "CONTACTS {gauge}/{contact_set}", "C-{contact_set}")
SCANNERS = {"hand": ScannerEntry(name="hand", link="usb-5", codes=CODES)}


def scan(hand: Hand, text: str) -> Decision:
    return hand.do(ev.Arrived("usb-5", Code(text, text.encode())))


def with_sets(*names: str, confirm: Confirm | None = None) -> SetUp:
    gauge = {"contact_sets": names or None, "confirm": confirm}
    return set_up(gauge, masters=MASTERS, scanners=SCANNERS)


def reported(hand: Hand, contact_set: str | None) -> ev.Reply:
    return hand.do(ev.Report("bore-1", "contacts", contact_set=contact_set)).reply


def reasons(record: Record) -> str:
    return "; ".join(record.reasons or ())


def test_other_contacts_end_the_mastering_and_masterings_name_them() -> None:
    """Put on set B, and nothing is judged until a check; masterings and checks carry the set that was on."""
    hand = Hand(with_sets("A", "B"))
    assert reported(hand, "A").accepted
    hand.ready()
    assert (hand.last(Kind.MASTERING).contact_set, hand.last(Kind.CHECK).contact_set) == ("A", "A")
    assert hand.show("38.010").verdict == "in-limits"
    assert "contact set B on" in reported(hand, "B").text
    assert hand.show("38.010").reasons == ("the contacts were changed, contact set B is on",)
    hand.ready()
    assert hand.last(Kind.MASTERING).contact_set == "B"
    assert hand.show("38.010").verdict == "in-limits"


def test_other_contacts_are_no_scatter() -> None:
    """A check that is off by what other contacts differ by does not count as the gauge's want of repeatability."""
    hand = Hand(with_sets("A", "B"))
    reported(hand, "A")
    hand.ready()
    hand.check("38.004")
    known = hand.state.gauges["bore-1"].scatter
    reported(hand, "B")
    hand.check("38.0055")
    assert hand.state.gauges["bore-1"].scatter.squares == known.squares
    hand.check("38.0045")
    assert hand.state.gauges["bore-1"].scatter.squares > known.squares


def test_nobody_said_which_contacts_are_on() -> None:
    """With several sets nothing is mastered before somebody says which is on; a single one is on from the start."""
    hand = Hand(with_sets("A", "B"))
    refused = hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",))).reply
    assert (refused.accepted, refused.text) == (False, "nobody said which contact set is on bore-1")
    assert "A, B" in refused.hint
    alone = Hand(with_sets("A")).ready()
    assert alone.last(Kind.MASTERING).contact_set == "A"
    assert Hand(with_sets()).ready().last(Kind.MASTERING).contact_set is None


@pytest.mark.parametrize(
    ("sets", "said", "finding", "hint"),
    [
        (("A", "B"), None, "has the contact sets A, B", "say which"),
        (("A", "B"), "C", "has no contact set 'C'", "A, B"),
        ((), "A", "has no contact set 'A'", "contact_sets of bore-1"),
    ],
)
def test_contacts_that_are_not_the_gauge_s(
    sets: tuple[str, ...], said: str | None, finding: str, hint: str
) -> None:
    """A set that the station file does not name for the gauge is refused, with those that it does."""
    reply = reported(Hand(with_sets(*sets)), said)
    assert not reply.accepted
    assert finding in reply.text
    assert hint in reply.hint


def test_only_contacts_have_a_set() -> None:
    """A knock with a contact set is a slip of the tongue."""
    reply = Hand(with_sets("A")).do(ev.Report("bore-1", "knock", contact_set="A")).reply
    assert not reply.accepted


def test_contacts_changed_in_the_middle_end_what_goes_on() -> None:
    """Readings with two contact sets make no mastering."""
    hand = Hand(with_sets("A", "B"))
    reported(hand, "A")
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=2))
    hand.show("38.004")
    reported(hand, "B")
    assert hand.show("38.004").kind is Kind.READING
    assert hand.state.gauges["bore-1"].procedure is None


def test_a_station_file_that_no_longer_names_the_set() -> None:
    """Which set is on is known only as long as the station file knows the set."""
    hand = Hand(with_sets("A", "B"))
    reported(hand, "B")
    hand.load(with_sets("A", "B", "C"))
    assert hand.state.gauges["bore-1"].contact_set == "B"
    hand.load(with_sets("A", "C"))
    assert hand.state.gauges["bore-1"].contact_set is None


def test_scanned_contacts() -> None:
    """A code on the contacts' case says which set is on, alone where one gauge has it, else with its gauge."""
    hand = Hand(with_sets("A", "B"))
    assert [record.kind for record in scan(hand, "C-B").records] == [Kind.SCAN, Kind.REPORT]
    assert hand.state.gauges["bore-1"].contact_set == "B"
    scan(hand, "CONTACTS bore-1/A")
    assert hand.state.gauges["bore-1"].contact_set == "A"
    (refused,) = scan(hand, "C-X").records
    assert (refused.code, "no gauge has the contact set 'X'" in (refused.text or "")) == ("refused", True)
    other = replace(GAUGE, name="bore-2", link="usb-2", contact_sets=("A",))
    first = with_sets("A", "B").gauges["bore-1"]
    both = Hand(set_up(gauges={"bore-1": first, "bore-2": other}, masters=MASTERS, scanners=SCANNERS))
    (doubtful,) = scan(both, "C-A").records
    assert "bore-1 and bore-2 has the contact set" in (doubtful.text or "")


def test_a_scanned_master_is_confirmed() -> None:
    """Where a scanner reads masters, nobody types a serial number: the scan confirms, and readings count after it."""
    hand = Hand(with_sets())
    reply = hand.do(ev.BeginMastering("bore-1", ("ring-1",), readings=2)).reply
    assert reply.accepted
    assert reply.text.startswith("scan ring-1 each before reading it")
    early = hand.show("38.004")
    assert (early.kind, reasons(early)) == (Kind.READING, "ring-1 was not scanned: scan it, then read it")
    (scanned,) = scan(hand, "SN R-1").records
    assert (scanned.code, scanned.gauge, scanned.master) == ("taken", "bore-1", "ring-1")
    hand.show("38.004")
    hand.show("38.005")
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_a_wrong_master_is_told() -> None:
    """Another ring's code says whose it is, and stops the readings until the right one is scanned, confirmed or not."""
    hand = Hand(with_sets())
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1))
    (wrong,) = scan(hand, "SN R-2").records
    assert wrong.code == "refused"
    assert wrong.text == (
        "that is ring-2, and the mastering of bore-1 is on ring-1 now: take ring-1 in hand and scan it"
    )
    assert hand.show("38.004").kind is Kind.READING
    scan(hand, "MASTER ring-1")
    hand.show("38.004")
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_two_masters_are_scanned_in_their_turn() -> None:
    """The second ring's code does not stand for the first: each is scanned when it is to be read."""
    hand = Hand(with_sets())
    hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), readings=1))
    assert scan(hand, "SN R-2").records[0].code == "refused"
    scan(hand, "SN R-1")
    hand.show("38.004")
    assert hand.show("38.054").kind is Kind.READING
    scan(hand, "SN R-2")
    hand.show("38.054")
    assert hand.last(Kind.MASTERING).code == "accepted"


def test_what_no_scan_can_confirm() -> None:
    """A number that no ring has, a name that is none, and a code while nothing goes on are told for what they are."""
    hand = Hand(with_sets())
    assert "no master is to be read now" in (scan(hand, "SN R-1").records[0].text or "")
    assert "no master here has the serial number R-9" in (scan(hand, "SN R-9").records[0].text or "")
    assert "no master is named 'x'" in (scan(hand, "MASTER x").records[0].text or "")
    assert "was to" not in reasons(hand.ready().show("38.010"))


def test_a_scan_that_is_asked_for() -> None:
    """Where only a scan confirms, a typed serial number does not, and a wrong one is still refused."""
    hand = Hand(with_sets(confirm=Confirm.SCAN))
    assert "is not R-2" in hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-2",))).reply.text
    assert hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1)).reply.accepted
    assert hand.show("38.004").kind is Kind.READING
    scan(hand, "SN R-1")
    hand.show("38.004")
    assert hand.last(Kind.MASTERING).code == "accepted"
    assert hand.do(ev.BeginCheck("bore-1", "plain")).reply.text.startswith("scan plain")
    scan(hand, "MASTER plain")
    hand.show("38.004")
    assert hand.last(Kind.CHECK).code == "passed"
    bare = Hand(set_up({"confirm": Confirm.SCAN}))
    assert (
        "no scanner's codes can name ring-1" in bare.do(ev.BeginMastering("bore-1", ("ring-1",))).reply.text
    )


def test_scans_go_to_the_gauge_that_waits_for_them() -> None:
    """With two masterings at once, a ring's code confirms the one that is on this ring."""
    second = replace(GAUGE, name="bore-2", link="usb-2")
    hand = Hand(set_up(gauges={"bore-1": GAUGE, "bore-2": second}, masters=MASTERS, scanners=SCANNERS))
    hand.do(ev.BeginMastering("bore-1", ("ring-1",)))
    hand.do(ev.BeginMastering("bore-2", ("ring-2",)))
    assert scan(hand, "SN R-1").records[0].gauge == "bore-1"
    assert scan(hand, "SN R-2").records[0].gauge == "bore-2"
    (neither,) = scan(hand, "MASTER plain").records
    assert (neither.gauge, neither.code) == ("bore-2", "refused")
    assert hand.state.gauges["bore-1"].procedure is not None
    assert hand.state.gauges["bore-1"].procedure.to_scan == ()


@pytest.mark.parametrize(
    "pattern", ["{lot}/{master}", "{serial_number}{master}", "{master} {serial_number}", "G{gauge}"]
)
def test_codes_that_mix_what_does_not_go_together(pattern: str) -> None:
    """A code says what is in hand, or which contacts are on, or which master it is."""
    with pytest.raises(ValueRefused):
        compiled(pattern)
