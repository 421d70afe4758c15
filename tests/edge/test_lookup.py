"""Tracing in a real journal: the same as in memory, by indexes, and only of what is not archived."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from decimal import Decimal as D
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.core.bench import events as ev
from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.deriving import rederived
from gaugepost.core.bench.tracing.records import REPLACING
from gaugepost.core.bench.tracing.rejudging import to_rejudge
from gaugepost.core.bench.tracing.reliving import MASTERING_KINDS
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.core.publication import rfc3339
from gaugepost.core.record import Kind
from gaugepost.core.setup import Combine
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader, lookup, times
from gaugepost.edge.journal.lookup import Lookup
from tests.bench_tools.recall import BAD, fill, records
from tests.core.station import Hand
from tests.core.test_trace_reliving import live, station
from tests.core.trail import Trail

SMALLER = Revision(masters={BAD: {"size": D("37.9982")}})
RECORDS, AFFECTED = 5200, 500


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    """A journal with twenty masterings, two of them on a ring that turns out bad."""
    folder = tmp_path_factory.mktemp("recall")
    fill(folder / "journal.db", RECORDS, AFFECTED)
    with closing(Reader(folder)) as opened:
        yield opened


def test_the_disk_answers_as_memory_does(reader: Reader) -> None:
    """What a trace finds in a journal on the disk is what it finds in the same records in memory."""
    trail, last = Trail(list(records(RECORDS, AFFECTED))), reader.head()[0]
    day = trail.entries[last // 2].record.measured_at
    for asked in (
        Asked(What.MASTER, BAD),
        Asked(What.MASTER, BAD, since_ms=day),
        Asked(What.MASTER, BAD, until_ms=day),
        Asked(What.GAUGE, "bore-B", until_ms=day // 2),
        Asked(What.GAUGE, "bore-C", since_ms=day, until_ms=day + 60_000_000),
    ):
        found, wanted = trace(Lookup(reader), asked, SMALLER, last), trace(trail, asked, SMALLER, last)
        assert [row.made for row in found.rows] == [row.made for row in wanted.rows]
        assert found.checks == wanted.checks
    assert len(trace(Lookup(reader), Asked(What.MASTER, BAD), SMALLER, last).rows) == AFFECTED


def _plan(reader: Reader, query: str) -> str:
    with reader.connection() as db:
        rows = db.execute(f"EXPLAIN QUERY PLAN {query}", [None] * query.count("?")).fetchall()
    return " / ".join(str(row[-1]) for row in rows if "names" not in row[-1] and "SUBQUERY" not in row[-1])


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        (lookup.OF_KINDS.format(kinds="?, ?"), r"USING (COVERING )?INDEX records_kind \(kind=\?"),
        (
            lookup.OF_KINDS.format(kinds="?") + lookup.OF_GAUGES.format(gauges="?"),
            r"INDEX records_kind \(kind=\?",
        ),
        (lookup.READINGS, r"INDEX records_gauge \(gauge=\? AND rowid>\? AND rowid<\?\)"),
        (lookup.SEVERAL, r"INDEX records_characteristic \(characteristic=\? AND rowid>\?\)"),
        (
            re.sub(":[a-z]+", "?", times.BY_INDEX),
            r"COVERING INDEX records_time \(measured_at>\? AND measured_at<\?\)",
        ),
        (re.sub(":[a-z]+", "?", times.IN_PART), r"INTEGER PRIMARY KEY \(rowid>\? AND rowid<\?\)"),
        (lookup.AT.format(places="?, ?"), r"INTEGER PRIMARY KEY \(rowid=\?\)"),
    ],
)
def test_each_question_goes_by_an_index(reader: Reader, query: str, wanted: str) -> None:
    """No question of a trace looks through a journal, and none sorts more than sequences."""
    plan = _plan(reader, query)
    assert re.search(wanted, plan), plan
    assert "SCAN" not in plan
    assert "TEMP B-TREE" not in plan


def test_without_the_index_of_kinds(tmp_path: Path) -> None:
    """A journal of an earlier program, which has no index of kinds, gives the same answers in its own time."""
    fill(tmp_path / "journal.db", 1100, 250)
    with closing(sqlite3.connect(tmp_path / "journal.db")) as db:
        db.execute("DROP INDEX records_kind")
    with closing(Reader(tmp_path)) as opened:
        found = trace(Lookup(opened), Asked(What.MASTER, BAD), SMALLER, opened.head()[0])
        kinds = list(Lookup(opened).of_kinds(MASTERING_KINDS, ("bore-A",), 0, 2000))
    assert len(found.rows) == 250
    assert {entry.record.kind for entry in kinds} < set(MASTERING_KINDS)


def test_what_is_archived_is_left_to_its_archive(tmp_path: Path) -> None:
    """A trace finds what was not archived; what was judged again of archived records is no fault."""
    hand = live(station(Combine.EACH), [("show", "38.0030"), ("show", "38.0041")])
    ring = Revision(masters={"ring-1": {"size": D("37.9982")}})
    _judge_again(hand, ring)
    hand.wait(86_400_000)
    hand.do(ev.Started("test"))
    hand.do(ev.LinkUp("usb-1", "a port"))
    hand.load(station(Combine.EACH, valid_count=500))
    hand.warm("22.0")
    hand.master("38.0040", "38.0042")
    hand.check("38.0041")
    hand.show("38.0035")
    made = _judge_again(hand, ring)
    assert made == 1
    with closing(Journal.open(tmp_path / "data" / "journal.db", "test bench")) as journal:
        journal.append(hand.records)
    with (
        closing(Cursors(tmp_path / "data" / "deliveries.db", first_start=True)) as cursors,
        closing(Reader(tmp_path / "data")) as opened,
    ):
        cursors.cursor("sheet", opened.epoch, start="beginning", head=0)
        cursors.advance("sheet", opened.epoch, opened.head()[0])
    day = next(r for r in hand.records[5:] if r.kind is Kind.START).measured_at
    words = (
        "archive",
        tmp_path / "data",
        tmp_path / "archives",
        "--before",
        rfc3339(day // 1000 * 1000).replace(".000Z", "Z"),
    )
    (tmp_path / "archives").mkdir()
    assert main([*map(str, words)]) == 0
    with closing(Reader(tmp_path / "data")) as opened:
        found = trace(Lookup(opened), Asked(What.MASTER, "ring-1"), Revision(), opened.head()[0])
        assert len(found.rows) == 1
        came = list(rederived(Lookup(opened), opened.head()[0]))
        left = list(opened.replay(kinds=list(REPLACING)))
    assert len(came) == len(left)
    assert all(each is None or isinstance(each, int) for each in came)


def _judge_again(hand: Hand, revision: Revision) -> int:
    made = trace(Trail(hand.records), Asked(What.MASTER, "ring-1"), revision, len(hand.records))
    decision = hand.do(ev.Rejudge(tuple(to_rejudge(made)), "calibrated anew", "Q1"))
    return sum(record.kind is Kind.REJUDGED for record in decision.records)
