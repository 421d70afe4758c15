"""`verify --numbers` makes flagged, refused and doubted masterings and checks again as they were, and finds others."""

import json
from dataclasses import replace
from datetime import UTC
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.bench.state import GaugeState
from gaugepost.core.indication import Code, Temperature
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Confirm, LotCheck, ScannerEntry, from_plain, to_plain
from gaugepost.edge.decoding import Decoders
from tests.core.station import AIR, RING, Hand, set_up
from tests.core.test_bench_derive import LINKS

RING_2 = replace(RING, name="ring-2", size_mm=D("38.0312"), serial="R-2")
PLAIN = replace(
    RING, name="plain", size_mm=D("38"), serial=None, tolerance_class="X", half_tolerance_mm=D("0.000762")
)
HELD: dict[str, Any] = {
    "soak_k": D("0.2"),
    "soak_window_ms": 600_000,
    "spread_limit_mm": D("0.002"),
    "jump_limit_mm": D("0.005"),
    "reach_mm": D("0.03"),
    "compare_masters": True,
    "preset_limit_mm": D("0.020"),
    "contact_sets": ("A", "B"),
    "check_every_pieces": 2,
    "check_every_ms": 2 * 3_600_000,
    "check_at_min": (0, 360, 720, 1080),
}
SCANNER = ScannerEntry(name="hand", link="usb-5", codes=("SN {serial_number}", "C {contact_set}"))


def bench(**gauge: Any) -> Hand:
    return Hand(
        set_up(
            HELD | gauge,
            masters={each.name: each for each in (RING, RING_2, PLAIN)},
            thermometers={"air": AIR},
            links=LINKS,
            scanners={"hand": SCANNER},
            lot_checks_asked=(LotCheck.OPENING, LotCheck.CLOSING),
        )
    )


def scan(hand: Hand, text: str) -> None:
    hand.do(ev.Arrived("usb-5", Code(text, text.encode())))


def warm(hand: Hand, *celsius: str) -> None:
    for each in celsius:
        hand.wait(60_000)
        hand.do(ev.Arrived("usb-9", Temperature(D(each), each.encode())))


@pytest.fixture
def hand() -> Hand:
    """A bad day: everything that can speak against a mastering or a check speaks."""
    hand = bench()
    scan(hand, "C A")
    warm(hand, "21.0", "20.5", "20.1")
    hand.master("38.004", "38.004")  # drifting
    hand.check("38.004")
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    hand.show("38.010")  # the lot is not open
    hand.check("38.004")
    hand.show("38.011")
    warm(hand, *["20.1"] * 12)
    hand.master("38.001", "38.004")  # refused: spread
    hand.master("38.034", "38.034")  # refused: another ring
    hand.master("38.012", "38.012")  # a jump: suspect
    hand.master("38.033", "38.033", ring="ring-2")  # far from the bore
    hand.master("38.003", "38.003", ring="plain")  # of a class
    hand.check("38.033", ring="ring-2")
    scan(hand, "C B")
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), readings=2))
    hand.show("38.004")  # not scanned
    scan(hand, "SN R-2")  # another one
    hand.show("38.005")
    scan(hand, "SN R-1")
    hand.show("38.004")
    hand.show("38.006")
    hand.check("38.005")
    for piece in ("2", "3", "4"):
        hand.do(ev.SetTags({"piece": piece}))
        hand.show(f"38.01{piece}")  # the fourth waits
    hand.do(ev.SetTags({"lot": "L2"}))
    hand.wait(2 * 3_600_000)
    hand.do(ev.LookAhead(UTC))
    hand.show("38.010")
    hand.check("38.035")  # failed: another ring fits, and suspect
    hand.check("38.005")
    return hand


def derived(records: list[Record]) -> list[Difference | int]:
    return list(differences([Entry(at, b"", each) for at, each in enumerate(records, 1)], Decoders()))


def reasons(hand: Hand) -> str:
    return "; ".join(why for record in hand.records for why in record.reasons or ())


def test_the_day_was_as_bad_as_it_was_meant_to_be(hand: Hand) -> None:
    """Every flag and reason that is derived again below did come up."""
    said = reasons(hand)
    for flag in (
        "still drifts", "spread by 0.003 mm", "ring-2 fits the indication on ring-1 better", "from the last mastering",
        "from A, more than", "no calibrated value of plain", "was not scanned", "lot L1 opens with a check",
        "the check every 2 pieces is due", "lot L2 opens", "lot L1 closes", "the check every 2 h is due", "is due",
        "ring-2 fits better, is it the one that was measured?",
    ):  # fmt: skip
        assert flag in said, flag
    assert [record.code for record in hand.records if record.kind is Kind.MASTERING] == [
        "accepted", "refused", "refused", "accepted", "accepted", "accepted", "accepted",
    ]  # fmt: skip
    assert sum(record.kind is Kind.SUSPECT for record in hand.records) == 3
    assert {record.contact_set for record in hand.records if record.kind is Kind.MASTERING} == {"A", "B"}


def test_what_is_known_of_the_gauge_survives_a_snapshot(hand: Hand) -> None:
    """Contact set, pieces, what was told and what is to be scanned are the same after a way over the disk."""
    hand.do(ev.SetTags({"piece": "9"}))
    hand.show("38.010")
    hand.do(ev.BeginCheck("bore-1", "ring-1"))
    known = hand.state.gauges["bore-1"]
    assert known.last_piece == ("L2", "9")
    assert known.procedure is not None
    assert known.procedure.to_scan == ("ring-1",)
    assert from_plain(GaugeState, json.loads(json.dumps(to_plain(known)))) == known


def test_every_flag_comes_out_the_same(hand: Hand) -> None:
    """Nothing of that day is made otherwise by today's rules from the bytes and the set-up in force."""
    came = derived(hand.records)
    assert [each for each in came if isinstance(each, Difference)] == []
    made = {Kind.READING, Kind.MASTER_READING, Kind.MASTERING, Kind.CHECK, Kind.TEMPERATURE, Kind.SUSPECT}
    assert came == [at for at, record in enumerate(hand.records, 1) if record.kind in made]


@pytest.mark.parametrize(
    ("kind", "flag"),
    [
        (Kind.MASTERING, "still drifts"),
        (Kind.MASTERING, "from the last mastering"),
        (Kind.MASTERING, "from A, more than"),
        (Kind.MASTERING, "no calibrated value"),
        (Kind.MASTERING, "spread by"),
        (Kind.MASTERING, "fits the indication"),
        (Kind.READING, "was not scanned"),
        (Kind.READING, "pieces is due"),
        (Kind.CHECK, "fits better"),
    ],
)
def test_a_flag_that_was_taken_away_is_found(hand: Hand, kind: Kind, flag: str) -> None:
    """A record without the reason that its readings give is named, whichever reason it is."""
    at = next(
        at for at, r in enumerate(hand.records) if r.kind is kind and flag in "; ".join(r.reasons or ())
    )
    kept = tuple(each for each in hand.records[at].reasons or () if flag not in each) or None
    hand.records[at] = replace(hand.records[at], reasons=kept)
    found = [each for each in derived(hand.records) if isinstance(each, Difference)]
    assert (found[0].sequence, found[0].fields) == (at + 1, ("reasons",))


@pytest.mark.parametrize(
    ("kind", "change", "field"),
    [
        (Kind.MASTERING, {"contact_set": "C"}, "contact_set"),
        (Kind.CHECK, {"contact_set": None}, "contact_set"),
        (Kind.CHECK, {"lot": "L9"}, "lot"),
        (Kind.CHECK, {"text": "lot L9 closes"}, "text"),
        (Kind.SUSPECT, {"first": 1}, "first"),
    ],
)
def test_what_is_new_on_masterings_and_checks_is_derived_too(
    hand: Hand, kind: Kind, change: dict[str, Any], field: str
) -> None:
    """Contact sets, lots' ends and the range in doubt are made again, and told apart from others."""
    at = next(at for at, record in enumerate(hand.records) if record.kind is kind)
    hand.records[at] = replace(hand.records[at], **change)
    found = [each for each in derived(hand.records) if isinstance(each, Difference)]
    assert (found[0].sequence, found[0].fields) == (at + 1, (field,))


def test_a_scan_that_confirms_alone_is_derived() -> None:
    """Where only a scan confirms, what was read before it stays a reading that does not count."""
    hand = bench(confirm=Confirm.SCAN)
    scan(hand, "C A")
    hand.do(ev.BeginMastering("bore-1", ("ring-1",), ("R-1",), readings=1))
    hand.show("38.004")
    scan(hand, "SN R-1")
    hand.show("38.004")
    assert hand.last(Kind.MASTERING).code == "accepted"
    assert not [each for each in derived(hand.records) if isinstance(each, Difference)]
