"""What is said to be in hand, what is said to have been done to a gauge, and another station file at work."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import Decision, events as ev
from gaugepost.core.bench.commands.reload import RELOADED
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import LinkEntry, LotCheck, SetUp, to_document
from tests.core.station import BORE, RING, Hand, set_up


def recorded(hand: Hand, kind: Kind, **fields: Any) -> tuple[Record, ...]:
    return (Record(kind=kind, measured_at=hand.now.utc_ms, clock_ms=hand.now.clock_ms, **fields),)


@pytest.mark.parametrize(
    ("report", "operator", "text"),
    [
        (ev.Report("bore-1", "knock"), "M1", "the gauge was knocked or dropped"),
        (ev.Report("bore-1", "battery", "low"), "M1", "the battery was changed: low"),
        (ev.Report("bore-1", "repair", "", "M2"), "M2", "the gauge was repaired or adjusted"),
    ],
)
def test_a_report_asks_for_a_check(report: ev.Report, operator: str, text: str) -> None:
    """What was done, by who says so or who is in hand, with a note; its mastering counts after a check again."""
    hand = Hand(set_up()).ready()
    hand.do(ev.SetTags({"operator": "M1"}))
    decision = hand.do(report)
    assert decision.reply == ev.Reply(accepted=True, text="bore-1 is to be checked before its next verdict")
    assert decision.records == recorded(
        hand,
        Kind.REPORT,
        gauge="bore-1",
        operator=operator,
        code=report.what,
        text=text,
        ends_mastering=True,
        set_up=hand.state.set_up_sequence,
    )
    assert hand.show("38.010").verdict == "not-judged"


def test_contacts_are_reported_with_their_set() -> None:
    """Which set is on is recorded and told; nothing else says anything of contacts."""
    hand = Hand(set_up({"contact_sets": ("short", "long")}))
    decision = hand.do(ev.Report("bore-1", "contacts", "worn", "M1", "long"))
    (record,) = decision.records
    assert (record.contact_set, record.text) == (
        "long",
        "the contacts were changed, contact set long is on: worn",
    )
    assert decision.reply.text == (
        "bore-1 is to be checked before its next verdict, with contact set long on"
    )
    refused = hand.do(ev.Report("bore-1", "knock", contact_set="long")).reply
    assert (refused.text, refused.hint) == (
        "knock says nothing of contact set long",
        "report contacts with it",
    )
    assert not hand.do(ev.Report("bore-1", "contacts", contact_set="wide")).reply.accepted
    plain = Hand(set_up())
    (record,) = plain.do(ev.Report("bore-1", "contacts")).records
    assert (record.contact_set, record.text) == (None, "the contacts were changed")


def test_what_can_not_be_reported_is_told() -> None:
    """An unknown gauge or word is answered with those that there are."""
    hand = Hand(set_up())
    assert hand.do(ev.Report("bore-9", "knock")).reply.hint == "the gauges here: bore-1"
    assert hand.do(ev.Report("bore-1", "sneeze")).reply.hint == f"report {', '.join(ev.REPORTS)}"


def test_what_is_in_hand_is_recorded_whole() -> None:
    """What was not said stays; a new lot has no piece yet; what was said is told."""
    hand = Hand(set_up())
    decision = hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1", "position": "top"}))
    assert decision.reply == ev.Reply(accepted=True, text="operator M1, lot L1, piece 1, position top")
    tags = {"operator": "M1", "lot": "L1", "piece": "1", "position": "top"}
    assert decision.records == recorded(hand, Kind.TAGS, **tags)
    decision = hand.do(ev.SetTags({"lot": "L2"}))
    assert decision.reply.text == "lot L2, no piece"
    assert decision.records == recorded(hand, Kind.TAGS, operator="M1", lot="L2", position="top")
    decision = hand.do(ev.SetTags({"lot": "L3", "piece": "7", "characteristic": "A"}))
    assert decision.records == recorded(
        hand, Kind.TAGS, operator="M1", lot="L3", piece="7", position="top", characteristic="A"
    )
    decision = hand.do(ev.SetTags({"lot": "L3", "characteristic": None}))
    assert decision.reply.text == "lot L3, no characteristic"
    assert decision.records == recorded(
        hand, Kind.TAGS, operator="M1", lot="L3", piece="7", position="top", code="cleared"
    )
    decision = hand.do(ev.SetTags({}))
    assert decision.reply == ev.Reply(accepted=True, text="nothing changed")
    assert decision.records == recorded(hand, Kind.TAGS, operator="M1", lot="L3", piece="7", position="top")


def test_a_lot_that_waits_for_a_check_is_told_at_once() -> None:
    """Where each lot opens with a check of its own, whoever begins one hears of it before the first piece."""
    hand = Hand(set_up(lot_checks_asked=(LotCheck.OPENING,))).ready()
    hand.do(ev.SetTags({"lot": "L1"}))
    hand.check("38.004")
    reply = hand.do(ev.SetTags({"lot": "L2"})).reply
    assert reply.accepted
    assert reply.text == "lot L2, no piece; bore-1: lot L2 opens with a check"


@pytest.mark.parametrize(
    ("value", "taken"),
    [
        ("x", True),
        ("x" * 64, True),
        ("x" * 65, False),
        ("", False),
        (" ", False),
        ("a\nb", False),
        (None, True),
    ],
)
def test_a_tag_prints_and_has_its_length(value: str | None, taken: bool) -> None:
    """One to 64 characters that print; None clears."""
    hand = Hand(set_up())
    reply = hand.do(ev.SetTags({"lot": value})).reply
    assert reply.accepted is taken
    if not taken:
        assert reply.hint == "write 1 to 64 printable characters"


def test_what_can_not_be_in_hand_is_told() -> None:
    """Another word than those there are, or a characteristic that the drawing has not."""
    both = {"B": replace(BORE, name="B"), "A": BORE}
    hand = Hand(set_up(characteristics=both))
    assert hand.do(ev.SetTags({"colour": "red"})).reply.hint == (
        "set operator, lot, piece, position, characteristic"
    )
    refused = hand.do(ev.SetTags({"characteristic": "C"})).reply
    assert (refused.text, refused.hint) == (
        "no characteristic is named 'C'",
        "the characteristics here: A, B",
    )
    bare = Hand(set_up(characteristics={}))
    assert bare.do(ev.SetTags({"characteristic": "C"})).reply.hint == "the characteristics here: none"


def reload(hand: Hand, new: SetUp, *changes: str, **more: Any) -> Decision:
    return hand.do(ev.Reload(to_document(new), changes, **more))


LINK = LinkEntry(name="usb-1", kind="serial-port", settings="{}", decoder="text", decoder_settings="{}")


@pytest.mark.parametrize(
    ("changes", "more", "operator", "text", "told"),
    [
        ((), {}, "M1", None, "taken"),
        (("masters ring-2 added",), {}, "M1", "masters ring-2 added", "masters ring-2 added"),
        ((), {"reason": "new ring", "operator": "M2"}, "M2", "new ring", "taken"),
        (
            ("masters ring-2 added", "gauges bore-1 changed"),
            {"reason": "new ring"},
            "M1",
            "masters ring-2 added; gauges bore-1 changed: new ring",
            "masters ring-2 added; gauges bore-1 changed",
        ),
    ],
)
def test_a_station_file_that_is_taken_at_work(
    changes: tuple[str, ...], more: dict[str, str], operator: str, text: str | None, told: str
) -> None:
    """Its whole set-up, what changed and why, by whom; its code says that masterings go on through it."""
    hand = Hand(set_up())
    hand.do(ev.SetTags({"operator": "M1"}))
    new = set_up(masters={"ring-1": RING, "ring-2": replace(RING, name="ring-2")})
    decision = reload(hand, new, *changes, **more)
    assert decision.reply == ev.Reply(accepted=True, text=told)
    assert decision.records == recorded(
        hand, Kind.SET_UP, document=to_document(new), code=RELOADED, text=text, operator=operator
    )


def test_the_same_station_file_is_told_as_such() -> None:
    """Nothing is recorded, and whoever asked hears that it was understood."""
    hand = Hand(set_up())
    assert reload(hand, set_up()) == Decision((), ev.Reply(accepted=True, text="nothing was changed"))


def test_a_check_that_would_lose_its_link_refuses_the_file() -> None:
    """What is being read comes over it; the answer names the check, and once that is over the file is taken."""
    hand = Hand(set_up(links={"usb-1": LINK})).ready()
    hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=2))
    new = set_up(links={"usb-1": replace(LINK, settings='{"baud": 9600}')})
    refused = reload(hand, new).reply
    assert refused.text == "a check of bore-1 is going on, and the gauge, its master or its link is changed"
    beside = {"usb-1": LINK, "usb-7": replace(LINK, name="usb-7")}
    assert reload(hand, set_up(links=beside)).reply.accepted
    hand.do(ev.Abandon("bore-1", ""))
    assert reload(hand, new).reply.accepted


@pytest.mark.parametrize("changed", ["ring-1", "ring-2"])
def test_each_ring_of_a_mastering_is_its_ground(changed: str) -> None:
    """Of two rings that are read together neither may be another one half way."""
    rings = {"ring-1": RING, "ring-2": replace(RING, name="ring-2", serial=None, size_mm=D("38.0202"))}
    hand = Hand(set_up(masters=rings))
    begun = hand.do(ev.BeginMastering("bore-1", ("ring-1", "ring-2"), ("R-1",), readings=1))
    assert begun.reply.accepted, begun.reply
    hand.show("38.004")
    new = rings | {changed: replace(rings[changed], certificate="C-9")}
    refused = reload(hand, set_up(masters=new)).reply
    assert "a mastering of bore-1 is going on" in refused.text
