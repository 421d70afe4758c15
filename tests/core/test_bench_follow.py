"""Whatever a journal has lost, the bench comes to where it ends, and judges nothing by what it can't know."""

from __future__ import annotations

import random
from datetime import UTC
from decimal import Decimal as D

import pytest

from gaugepost.core.bench import State, events as ev, follow
from gaugepost.core.bench.apply import RECORDS_MISSING
from gaugepost.core.indication import Code, Condition, Indication, Moment, Temperature
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind
from gaugepost.core.setup import Combine, LotCheck, ScannerEntry
from tests.core.station import AIR, RING, Hand, set_up

SCANNER = ScannerEntry(name="hand", link="usb-5", codes=("SN {serial_number}", "C {contact_set}"))
LIVES = 20
LOSSES = 15


def _life(chance: random.Random) -> Hand:
    """A bench at which everything happens, in any order."""
    bore = {"readings": 2, "combine": Combine.MEAN} if chance.random() < 0.5 else {}
    gauge = {"valid_count": 5, "check_every_pieces": 3, "check_every_ms": 900_000, "check_at_min": (0, 720)}
    gauge |= {"contact_sets": ("A", "B")}
    around = {
        "thermometers": {"air": AIR},
        "scanners": {"hand": SCANNER},
        "lot_checks_asked": (LotCheck.OPENING, LotCheck.CLOSING),
    }
    hand = Hand(set_up(gauge, bore, **around))

    def scan(text: str) -> None:
        hand.do(ev.Arrived("usb-5", Code(text, text.encode())))

    def show(digits: str) -> None:
        sent = Indication(digits, D(digits), Unit.MM, digits.encode())
        hand.do(ev.Arrived("usb-1", sent))

    def restart() -> None:
        hand.now = Moment(
            hand.now.utc_ms + chance.randrange(-9999, 9999), 1000, f"boot-{chance.randrange(3)}"
        )
        hand.do(ev.Started("test"))

    def edit() -> None:
        name = chance.choice(["A", "B"])
        masters = {RING.name: RING} if chance.random() < 0.7 else {}
        kept = gauge if chance.random() < 0.7 else {}
        hand.load(set_up(kept, {"name": name} | bore, masters=masters, **around))

    def ready() -> None:
        scan(f"C {chance.choice('AB')}")
        for serials in (("R-1",), ()):
            hand.do(ev.BeginMastering("bore-1", ("ring-1",), serials, readings=2))
            scan(chance.choice(["SN R-1", "SN R-1", "SN R-9", "?"]))
            show("38.004")
            show("38.003")
        hand.do(ev.BeginCheck("bore-1", "ring-1", "R-1", readings=1))
        show("38.004")

    def tag() -> None:
        hand.do(
            ev.SetTags(
                {"operator": "M1", "lot": f"L{chance.randrange(3)}", "piece": f"{chance.randrange(3)}"}
            )
        )
        hand.do(ev.SetTags({"characteristic": chance.choice(["A", "B", None])}))

    def afterwards() -> None:
        at = chance.randrange(len(hand.records)) + 1
        hand.do(ev.Void(at, hand.records[at - 1], "dirt", (), operator="M1"))
        hand.do(ev.Amend(at, hand.records[at - 1], {"piece": "9"}, "called out wrong", operator="M1"))

    def link() -> None:
        hand.do(ev.LinkDown("usb-1", "unplugged"))
        hand.do(ev.LinkUp("usb-1", "a port"))

    def say() -> None:
        hand.do(ev.Arrived("usb-9", Temperature(D(chance.randrange(200, 260)).scaleb(-1), b"t")))
        hand.do(ev.Arrived("usb-1", Condition("E1", "an error", b"E1", ends_mastering=True)))
        hand.do(ev.Report("bore-1", "knock"))
        hand.wait(chance.randrange(3_600_000))
        hand.do(ev.LookAhead(UTC))
        hand.do(ev.Another("bore-1", "rework", operator="M1"))

    deeds = [restart, edit, ready, ready, tag, tag, afterwards, link, say]
    deeds += [lambda: show(f"38.{chance.randrange(40):03}")] * 12
    for _ in range(80):
        chance.choice(deeds)()
    return hand


@pytest.mark.parametrize("seed", range(LIVES))
def test_a_bench_follows_a_journal_with_gaps(seed: int) -> None:
    """Any records may be missing: the rest is followed to its end, and every mastering known is check-due at a gap."""
    chance = random.Random(seed)
    entries = [Entry(at, b"", record) for at, record in enumerate(_life(chance).records, start=1)]
    whole = State()
    for entry in entries:
        whole = follow(whole, entry)
    for _ in range(LOSSES):
        lost = set()
        for _ in range(chance.randrange(1, 6)):
            first = chance.randrange(1, len(entries))
            lost |= set(range(first, first + chance.choice([1, 2, 5, 30])))
        state = State()
        for entry in entries:
            if entry.sequence in lost:
                continue
            gap = entry.sequence != state.sequence + 1
            state = follow(state, entry)
            assert state.sequence == entry.sequence
            if gap and entry.record.kind not in (Kind.CHECK, Kind.MASTERING):
                due = [known.due for known in state.gauges.values() if known.mastered is not None]
                assert all(RECORDS_MISSING in each for each in due)
        assert state.missing == len([each for each in lost if each <= state.sequence])
    assert whole.missing == 0
