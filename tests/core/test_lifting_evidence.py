"""Which good check speaks for what was marked as suspect, by what stands around the mark; and what is recorded then."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.commands.lifting import document, evidence, suspects
from gaugepost.core.record import Entry, Kind, Record
from tests.core.station import Hand, set_up
from tests.core.trail import Trail

EPOCH = "6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11"
AFTER = "it takes one after it and before the gauge was mastered anew"
ON_RING = "it takes one on ring-1, after it and before the gauge was mastered anew"


def record(kind: Kind, gauge: str | None = "bore-1", **fields: Any) -> Record:
    return Record(kind=kind, measured_at=0, clock_ms=0, gauge=gauge, **fields)


def check(code: str = "passed", master: str = "ring-1", mastering: int = 1, gauge: str = "bore-1") -> Record:
    return record(Kind.CHECK, gauge, code=code, master=master, mastering=mastering)


READ = record(Kind.READING, mastering=1)
BESIDE = record(Kind.TAGS, None)
MARK = record(Kind.SUSPECT, first=1, last=1)


def spoken(*records: Record, through: int | None = None) -> tuple[int | None, str]:
    """What speaks for the mark among these records."""
    trail = Trail(records)
    (mark,) = (each for each in trail.entries if each.record.kind is Kind.SUSPECT)
    return evidence(trail, mark, len(records) if through is None else through)


@pytest.mark.parametrize(
    ("records", "found"),
    [
        # After a check that failed: the first good one on that ring, under that mastering.
        ((READ, check("failed"), MARK, check(), check()), (4, ON_RING)),
        ((READ, check("failed"), MARK, check("failed"), check()), (5, ON_RING)),
        ((READ, check("failed"), MARK, check(master="ring-2"), check(mastering=2)), (None, ON_RING)),
        ((READ, check("failed"), MARK, check(gauge="bore-2")), (None, ON_RING)),
        ((READ, check("failed"), MARK), (None, ON_RING)),
        # The mastering is that of the check that failed.
        ((replace(READ, mastering=9), check("failed"), MARK, check()), (4, ON_RING)),
        # After a person's doubt: on any ring, under the mastering of what was read.
        ((READ, BESIDE, MARK, check(master="ring-2")), (4, AFTER)),
        ((READ, BESIDE, MARK, check(mastering=2)), (None, AFTER)),
        # A good check, another gauge's, or another record of its own right before the mark is not why.
        ((READ, check(), MARK, check(master="ring-2")), (4, AFTER)),
        ((READ, check("failed", gauge="bore-2"), MARK, check(master="ring-2")), (4, AFTER)),
        ((READ, record(Kind.MASTERING, "bore-2"), MARK, check(master="ring-2")), (4, AFTER)),
        ((READ, record(Kind.CONDITION, code="failed"), MARK, check(master="ring-2")), (4, AFTER)),
        # A mastering far from the last, or a ring, is why: a person's word.
        ((READ, record(Kind.MASTERING, code="accepted"), MARK, check()), (None, "")),
        ((READ, check("failed"), replace(MARK, master="ring-1"), check()), (None, "")),
    ],
)
def test_what_speaks_for_it(records: tuple[Record, ...], found: tuple[int | None, str]) -> None:
    """By why it was marked, which is the record before the mark."""
    assert spoken(*records) == found


def test_what_came_since_it_was_looked_up_does_not_count() -> None:
    """Up to a record, that one too."""
    records = (READ, check("failed"), MARK, BESIDE, check())
    assert spoken(*records, through=5) == (5, ON_RING)
    assert spoken(*records, through=4) == (None, ON_RING)


def test_of_what_was_archived_nothing_is_known() -> None:
    """The readings and why they were marked are in a file elsewhere: no check is taken to be under their mastering."""
    assert spoken(replace(MARK, first=-5, last=-2), check()) == (None, AFTER)


def test_nothing_else_is_in_doubt() -> None:
    """A record of another kind takes no check: the bench refuses it for what it is."""
    trail = Trail((READ, check("failed"), check()))
    assert [evidence(trail, each, 3) for each in trail.entries] == [(None, "")] * 3


def test_the_mark_is_carried_on_by_what_lifts_it() -> None:
    """Gauge, range and number stand in both, and the check where one was taken."""
    hand = Hand(set_up()).ready()
    target = record(Kind.SUSPECT, first=3, last=9, count=4)
    decision = hand.do(ev.Lift(77, target, "wiped", 12, ON_RING, "Q1"))
    assert decision.reply.text == "4 readings are no longer suspect, by check 12"
    made = Record(
        kind=Kind.LIFTED,
        measured_at=hand.now.utc_ms,
        clock_ms=hand.now.clock_ms,
        gauge="bore-1",
        operator="Q1",
        first=3,
        last=9,
        count=4,
        text="wiped",
        replaces=77,
        members=(12,),
        set_up=hand.state.set_up_sequence,
    )
    assert decision.records == (made,)
    decision = hand.do(ev.Lift(78, replace(target, master="ring-1"), "wiped", None, "", "Q1"))
    assert decision.reply.text == "4 readings are no longer suspect"
    assert decision.records == (
        replace(
            made,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            master="ring-1",
            replaces=78,
            members=None,
        ),
    )


def test_the_list_gives_each_mark_as_it_is_told() -> None:
    """What is suspect since when and why, and by whom that was lifted, with or without a check."""
    mark = record(
        Kind.SUSPECT, first=3, last=9, count=4, master="ring-1", operator="M1", text="it was dropped"
    )
    lifted = Record(
        kind=Kind.LIFTED, measured_at=1000, clock_ms=0, replaces=1, operator="Q1", text="as before"
    )
    ((entry, by),) = suspects(Trail((mark, lifted)), 2)
    told = {
        "id": f"{EPOCH}-1", "sequence": 1, "gauge": "bore-1", "master": "ring-1", "first": 3, "last": 9, "count": 4,
        "marked_at": "1970-01-01T00:00:00.000Z", "marked_by": "M1", "reason": "it was dropped",
    }  # fmt: skip
    done = {
        "id": f"{EPOCH}-2", "at": "1970-01-01T00:00:01.000Z", "by": "Q1", "reason": "as before", "check": None,
    }  # fmt: skip
    assert document(entry, by, EPOCH) == told | {"open": False, "lifted": done}
    assert document(entry, None, EPOCH) == told | {"open": True, "lifted": None}
    by_check = Entry(2, b"", replace(lifted, members=(12,)))
    assert document(entry, by_check, EPOCH)["lifted"] == done | {"check": f"{EPOCH}-12"}
    assert [*suspects(Trail((mark, lifted)), 1)] == [(entry, None)], "it was lifted later"
