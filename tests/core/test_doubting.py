"""What a trace makes suspect, and what is recorded of somebody's doubt."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.commands.doubting import doubtful
from gaugepost.core.bench.events import Doubtful
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import CheckRow, Row, Trace, trace
from gaugepost.core.record import DERIVATION, Entry, Kind, Record
from tests.core.station import GAUGE, RING, Hand, set_up
from tests.core.trail import Trail

ASKED = Asked(What.MASTER, "ring-1")
SMALLER = Revision(masters={"ring-1": {"size": D("37.9982")}})
LIMIT = D("0.002")


def record(kind: Kind, gauge: str | None = "bore-1", **fields: Any) -> Record:
    return Record(kind=kind, measured_at=0, clock_ms=0, gauge=gauge, **fields)


def reading(gauge: str = "bore-1", **fields: Any) -> Record:
    return record(Kind.READING, gauge, **fields)


def check(gauge: str = "bore-1", master: str = "ring-2", code: str = "passed") -> Record:
    return record(Kind.CHECK, gauge, code=code, master=master, error_mm=D(0), limit_mm=LIMIT)


def corrected(trail: Trail, *fail: int, passing: tuple[int, ...] = ()) -> Trace:
    """A trace after which these checks fail, and those that failed before pass."""
    errors = dict.fromkeys(fail, D("0.0021")) | dict.fromkeys(passing, LIMIT)
    rows = tuple(
        CheckRow(at, trail.entries[at - 1].record, replace(trail.entries[at - 1].record, error_mm=error))
        for at, error in sorted(errors.items())
    )
    return Trace(ASKED, SMALLER, len(trail.entries), (), rows, 0, {}, 0)


@pytest.mark.parametrize(
    ("records", "fail", "found"),
    [
        # What was measured between the good checks around the one that fails.
        ([check(), reading(), check(), reading(), check(), reading()], (3,), (Doubtful("bore-1", 2, 4, 2, "ring-2"),)),
        # No good one before it, and none after.
        ([reading(), check(), reading(), reading()], (2,), (Doubtful("bore-1", 1, 4, 3, "ring-2"),)),
        # A check that failed on its day, and one that fails as corrected, are no good ones.
        (
            [check(), reading(), check(code="failed"), reading(), check(), check(), reading(), check()],
            (5, 6),
            (Doubtful("bore-1", 2, 7, 3, "ring-2"),),
        ),
        # The nearest good ones on either side, not the first and the last.
        (
            [check(), reading(), check(), reading(), check(), reading(), check(), reading(), check()],
            (5,),
            (Doubtful("bore-1", 4, 6, 2, "ring-2"),),
        ),
        # Two of them apart: a range each, with the ring of its check.
        (
            [check(), reading(), check(master="ring-3"), check(), reading(), check(), check()],
            (3, 6),
            (Doubtful("bore-1", 2, 2, 1, "ring-3"), Doubtful("bore-1", 5, 5, 1, "ring-2")),
        ),
        # Nothing measured around it.
        ([reading(), check(), check(), check(), reading()], (3,), ()),
        # Another gauge's checks and readings say nothing of this one's.
        (
            [check("bore-2"), reading(), reading("bore-2"), check(), check("bore-2"), reading(), reading("bore-2")],
            (4,),
            (Doubtful("bore-1", 2, 6, 2, "ring-2"),),
        ),
        # Both gauges fail: each with its own, in the order of their names.
        (
            [reading("bore-2"), check("bore-2"), reading(), check(), reading("bore-2")],
            (2, 4),
            (Doubtful("bore-1", 3, 3, 1, "ring-2"), Doubtful("bore-2", 1, 5, 2, "ring-2")),
        ),
    ],
)  # fmt: skip
def test_what_checks_belie_that_fail_once_it_is_corrected(
    records: list[Record], fail: tuple[int, ...], found: tuple[Doubtful, ...]
) -> None:
    """From the last good check before one that fails to the next one."""
    trail = Trail(records)
    assert doubtful(trail, corrected(trail, *fail)) == found


def test_a_check_that_passes_once_it_is_corrected_belies_nothing() -> None:
    """Within its limit, at it too."""
    trail = Trail([reading(), check(code="failed"), reading()])
    assert doubtful(trail, corrected(trail, passing=(2,))) == ()


def test_only_what_was_recorded_when_it_was_traced_is_looked_at() -> None:
    """What came since is another trace's."""
    trail = Trail([check(), reading(), check(), reading(), check(), reading()])
    made = replace(corrected(trail, 3), through=4)
    assert doubtful(trail, made) == (Doubtful("bore-1", 2, 4, 2, "ring-2"),)
    assert doubtful(trail, replace(made, through=3)) == (Doubtful("bore-1", 2, 2, 1, "ring-2"),)


def row(at: int, kind: Kind, gauge: str | None = "bore-1", mastering: int | None = 1) -> Row:
    stands = Entry(at + 100, b"", record(kind, gauge, mastering=mastering, master=f"ring-{mastering}"))
    return Row(at, kind, 0, stands, stands.record, Revision())


def uncorrected(*rows: Row) -> Trace:
    return Trace(ASKED, Revision(), 50, rows, (), 0, {}, 0)


def test_where_nothing_is_corrected_all_that_depended_on_it_is_suspect() -> None:
    """A range for each gauge and mastering, of what was read: results are made of it, and count no more."""
    rows = (
        row(2, Kind.READING),
        row(4, Kind.READING, "bore-2"),
        row(5, Kind.READING),
        row(6, Kind.RESULT),
        row(7, Kind.READING, mastering=3),
        row(9, Kind.READING),
    )
    assert doubtful(Trail([]), uncorrected(*rows)) == (
        Doubtful("bore-1", 2, 9, 3, "ring-1"),
        Doubtful("bore-2", 4, 4, 1, "ring-1"),
        Doubtful("bore-1", 7, 7, 1, "ring-3"),
    )


def test_what_is_marked_is_not_marked_twice() -> None:
    """Unless the mark was lifted, or is about less than what is found now, or about another gauge."""
    rows = row(2, Kind.READING), row(5, Kind.READING)
    found = (Doubtful("bore-1", 2, 5, 2, "ring-1"),)
    mark = record(Kind.SUSPECT, first=2, last=5)
    assert doubtful(Trail([mark]), uncorrected(*rows)) == ()
    assert doubtful(Trail([replace(mark, last=4)]), uncorrected(*rows)) == found
    assert doubtful(Trail([replace(mark, first=1)]), uncorrected(*rows)) == found
    assert doubtful(Trail([replace(mark, gauge="bore-2")]), uncorrected(*rows)) == found
    lifted = record(Kind.LIFTED, first=2, last=5, replaces=1)
    assert doubtful(Trail([mark, lifted]), uncorrected(*rows)) == found


def test_a_smaller_ring_belies_checks_on_another() -> None:
    """Lived at the bench: mastered on a ring that is 3 µm less than its certificate said, checked on a good one."""
    rings = {"ring-1": RING, "ring-2": replace(RING, name="ring-2", serial="R-2")}
    hand = Hand(set_up(masters=rings)).ready()
    hand.check("38.004")
    hand.show("38.010")
    first = len(hand.records)
    hand.check("38.004", "ring-2")
    hand.show("38.011")
    last = len(hand.records)
    hand.check("38.004")
    hand.show("38.012")
    trail = Trail(hand.records)
    found = doubtful(trail, trace(trail, ASKED, SMALLER, len(hand.records)))
    assert found == (Doubtful("bore-1", first, last, 2, "ring-2"),)


def test_a_doubt_in_what_was_found_is_a_mark_for_each() -> None:
    """Each with gauge, ring, range and number; the gauge need not be checked: it may be well."""
    hand = Hand(set_up()).ready()
    hand.show("38.010")
    found = (Doubtful("bore-1", 3, 9, 4, "ring-1"), Doubtful("bore-2", 5, 6, 2, "ring-1"))
    decision = hand.do(ev.Suspect("it was dropped", None, found, "Q1"))
    assert decision.reply == ev.Reply(accepted=True, text="6 readings are marked as suspect")
    assert decision.records == tuple(
        Record(
            kind=Kind.SUSPECT,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            gauge=each.gauge,
            master="ring-1",
            operator="Q1",
            first=each.first,
            last=each.last,
            count=each.count,
            text="it was dropped",
            set_up=hand.state.set_up_sequence,
            derivation=DERIVATION,
        )
        for each in found
    )


def test_a_doubt_in_a_gauge_marks_all_since_its_last_good_check() -> None:
    """It is to be checked before its next verdict; where it measured nothing since, the answer says how to go back."""
    hand = Hand(set_up()).ready()
    refused = hand.do(ev.Suspect("it fell", "bore-1", (), "M1")).reply
    assert refused.text == "bore-1 measured nothing since its last good check"
    assert "gaugepost trace gauge bore-1 --suspect" in refused.hint
    hand.show("38.010")
    first = len(hand.records)
    hand.show("38.011")
    decision = hand.do(ev.Suspect("it fell", "bore-1", (), "M1"))
    text = "2 readings of bore-1 are marked as suspect; check it before its next verdict"
    assert decision.reply == ev.Reply(accepted=True, text=text)
    assert decision.records == (
        Record(
            kind=Kind.SUSPECT,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            gauge="bore-1",
            operator="M1",
            first=first,
            last=first + 1,
            count=2,
            text="it fell",
            ends_mastering=True,
            set_up=hand.state.set_up_sequence,
            derivation=DERIVATION,
        ),
    )
    assert hand.show("38.010").verdict == "not-judged"
    unknown = hand.do(ev.Suspect("it fell", "bore-7", (), "M1")).reply
    assert (unknown.accepted, unknown.hint) == (False, f"the gauges here: {GAUGE.name}")


def listed(trail: Trail, asked: Asked, *bases: int) -> Trace:
    """A trace that nothing is corrected in, with these records in its list."""
    entries = [trail.entries[at - 1] for at in bases]
    rows = tuple(Row(each.sequence, each.record.kind, 0, each, each.record, Revision()) for each in entries)
    return Trace(asked, Revision(), len(trail.entries), rows, (), 0, {}, 0)


@pytest.mark.parametrize(
    ("after", "last"),
    [
        ((Kind.RESULT, Kind.FORM), 3),
        ((Kind.FORM, Kind.CHECK), 2),
        ((Kind.CHECK, Kind.RESULT), 1),
        ((Kind.CHECK, Kind.CHECK), 1),
        ((Kind.RESULT,), 2),
        ((), 1),
    ],
)
def test_a_range_ends_with_what_its_last_reading_completed(after: tuple[Kind, ...], last: int) -> None:
    """What comes right after it: a result, then a form; not what somebody else's reading completed later."""
    trail = Trail([reading(mastering=9, master="ring-1"), *(record(kind) for kind in after)])
    found = (Doubtful("bore-1", 1, last, 1, "ring-1"),)
    assert doubtful(trail, listed(trail, ASKED, 1)) == found


@pytest.mark.parametrize(
    ("asked", "master"), [(ASKED, "ring-1"), (Asked(What.GAUGE, "bore-1"), None)], ids=["ring", "gauge"]
)
def test_a_result_within_another_gauges_range_is_in_doubt_by_itself(asked: Asked, master: str | None) -> None:
    """Named with the master that is asked for, and with none where it is a gauge; without a gauge it is nobody's."""
    made = [reading(), record(Kind.RESULT, "bore-2"), record(Kind.RESULT, None), reading()]
    trail = Trail([replace(each, mastering=9, master="ring-1") for each in made])
    assert doubtful(trail, listed(trail, asked, 1, 2, 3, 4)) == (
        Doubtful("bore-1", 1, 4, 2, "ring-1"),
        Doubtful("bore-2", 2, 2, 1, master),
    )
