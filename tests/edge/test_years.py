"""Storage over years, at 200,000 records: each question by its index, each reading in its room, a start by snapshot."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from gaugepost.core.bench import State, follow
from gaugepost.core.record import PUBLISHED_KINDS, Entry
from gaugepost.edge.journal import Journal, Reader, examine
from gaugepost.edge.kept import snapshot as room
from gaugepost.edge.kept.snapshot import Snapshot
from tests.bench_tools.years import BEGINNING_MS, BORES, STATION, fill

pytestmark = pytest.mark.attack

RECORDS = 200_000
DAY_MS = 86_400_000


@pytest.fixture(scope="module")
def years(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a journal of ten years."""
    folder = tmp_path_factory.mktemp("years")
    fill(folder / "journal.db", RECORDS)
    return folder


@pytest.fixture
def reader(years: Path) -> Iterator[Reader]:
    with closing(Reader(years)) as opened:
        yield opened


QUESTIONS: dict[str, Callable[[Reader], object]] = {
    "head": Reader.head,
    "one": lambda reader: reader.entry(150_000),
    "next for a destination": lambda reader: reader.entries(100_000, 500, kinds=PUBLISHED_KINDS),
    "next of all": lambda reader: reader.entries(100_000, 500),
    "latest of a gauge": lambda reader: reader.latest(500, gauge="bore-B"),
    "latest readings of a gauge": lambda reader: reader.latest(500, gauge="bore-B", kinds=["reading"]),
    "latest of a characteristic": lambda reader: reader.latest(10_000, characteristic="B"),
    "a characteristic from a sequence on": lambda reader: reader.entries(150_000, 500, characteristic="B"),
    "latest check of a gauge": lambda reader: reader.latest(1, gauge="bore-B", kinds=["check"]),
    "latest set-up": lambda reader: reader.latest(1, kinds=["set-up"]),
    "masterings and checks": lambda reader: reader.entries(0, 500, kinds=["mastering", "check"]),
    "a kind that there never was": lambda reader: reader.latest(1, kinds=["gap"], gauge="bore-B"),
    "a lot": lambda reader: reader.entries(0, 500, lot="L-700"),
    "a piece": lambda reader: reader.entries(0, 500, lot="L-700", piece="7"),
    "a day": lambda reader: reader.entries(
        0, 500, since_ms=BEGINNING_MS + 900 * DAY_MS, until_ms=BEGINNING_MS + 901 * DAY_MS
    ),
    "from a day on": lambda reader: reader.entries(0, 500, since_ms=BEGINNING_MS + 900 * DAY_MS),
    "the latest before a day": lambda reader: reader.latest(500, until_ms=BEGINNING_MS + 900 * DAY_MS),
    "where a day begins and ends": lambda reader: reader.span(
        BEGINNING_MS + 900 * DAY_MS, BEGINNING_MS + 901 * DAY_MS
    ),
    "a day of a gauge": lambda reader: reader.entries(
        0, 500, since_ms=BEGINNING_MS + 900 * DAY_MS, until_ms=BEGINNING_MS + 901 * DAY_MS, gauge="bore-B"
    ),
}


@pytest.mark.parametrize("name", QUESTIONS)
def test_no_question_reads_the_whole_journal(reader: Reader, name: str) -> None:
    """SQLite's own plan of every statement uses an index or the sequence, and never walks over all records.

    Source: sqlite.org/eqp.html: SCAN is a walk over a table, SEARCH looks a part of it up.
    """
    statements: list[str] = []
    with reader.connection() as db:
        db.set_trace_callback(statements.append)
    QUESTIONS[name](reader)
    with reader.connection() as db:
        db.set_trace_callback(None)
        steps = [
            f"{step[3]}: {statement}"
            for statement in statements
            for step in db.execute(f"EXPLAIN QUERY PLAN {statement}")
        ]
    assert steps
    # The end of the table, by its own order, is one step however long it is.
    last = re.compile(r"SCAN records: SELECT [a-z, ]+ FROM records ORDER BY sequence DESC LIMIT 1$")
    walked = [step for step in steps if step.startswith("SCAN records") and not last.match(step)]
    assert not walked, "\n".join(walked)


@pytest.mark.parametrize("name", QUESTIONS)
def test_no_question_takes_more_steps_than_its_answer(reader: Reader, name: str) -> None:
    """SQLite's machine runs a few instructions for each record of the answer; a walk over all would take a million."""
    steps = 0

    def counted() -> int:
        nonlocal steps
        steps += 100
        return 0

    with reader.connection() as db:
        db.set_progress_handler(counted, 100)
    answer = QUESTIONS[name](reader)
    with reader.connection() as db:
        db.set_progress_handler(None, 0)
    assert steps <= 50_000 + 20 * (len(answer) if isinstance(answer, list) else 1)


def test_a_record_takes_at_most_400_bytes(years: Path) -> None:
    """Raw bytes, hash, budget and indexes of every reading together."""
    assert (years / "journal.db").stat().st_size / RECORDS <= 400


def test_what_is_asked_for_is_found(reader: Reader) -> None:
    """The answers are those of a walk over all records."""
    assert [entry.record.gauge for entry in reader.latest(500, gauge="bore-B")] == ["bore-B"] * 500
    found = reader.latest(10_000, characteristic="B", kinds=["reading"])
    assert len(found) == 10_000
    assert found[-1].sequence > RECORDS - 10
    assert len({entry.sequence for entry in found}) == 10_000
    assert len(reader.latest(500, kinds=["check"])) == len(BORES)
    assert {entry.record.piece for entry in reader.entries(0, 500, lot="L-700")} == set(
        map(str, range(1, 41))
    )


def test_a_start_applies_what_came_since_the_snapshot_only(
    years: Path, reader: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After ten years a start applies a handful of records, and the snapshot is small."""
    first = Snapshot(years, reader)
    state = first.restore()
    assert first.save(state) == ""
    applied: list[int] = []

    def counted(before: State, entry: Entry) -> State:
        applied.append(entry.sequence)
        return follow(before, entry)

    monkeypatch.setattr(room, "follow", counted)
    again = Snapshot(years, reader)
    assert again.restore() == state
    assert (again.finding, applied) == ("", [])
    assert (years / room.FILE_NAME).stat().st_size < 4 * RECORDS


def test_a_journal_of_an_earlier_program_gets_its_index(tmp_path: Path) -> None:
    """What earlier programs wrote is asked as quickly after the first start, and stays whole."""
    fill(tmp_path / "journal.db", 3000)
    with closing(Journal.open(tmp_path / "journal.db", STATION)) as journal:
        journal._db.execute("DROP INDEX records_kind")
    with closing(Reader(tmp_path)) as old:
        assert len(old.latest(500, kinds=["check"])) == len(BORES)
    Journal.open(tmp_path / "journal.db", STATION).close()
    with closing(Reader(tmp_path)) as again, again.connection() as db:
        assert db.execute("SELECT 1 FROM sqlite_master WHERE name = 'records_kind'").fetchone()
    assert examine(tmp_path).sound
