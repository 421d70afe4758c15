"""A journal of years: space, questions and a start, at 200,000 records or as many as YEARS_RECORDS says.

On the disk that the checkout lies on, or in the folder that YEARS_FOLDER names: a journal that is there is used again.
Questions are measured in processor time: the pages that they need are in memory after the first time.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, nullcontext
from pathlib import Path

from gaugepost.edge.journal import Reader
from gaugepost.edge.kept.snapshot import Snapshot
from tests.bench_tools.years import BEGINNING_MS, fill
from tests.benchmarks.figures import Figure, medians, scratch

RECORDS = int(os.environ.get("YEARS_RECORDS", "200000"))
FOLDER = os.environ.get("YEARS_FOLDER", "")
ROUNDS = 7
CHART = ("value", "verdict")
"""What a chart needs of each reading."""
MOST_BYTES, LATEST_S, CHARACTERISTIC_S, START_S = 400, 0.020, 0.100, 2.0


def figures() -> Iterator[Figure]:
    """Make the journal, then ask it what a person, a chart and a start ask."""
    with nullcontext(Path(FOLDER)) if FOLDER else scratch() as folder:
        file = folder / "journal.db"
        if not file.exists():
            begun = time.perf_counter()
            fill(file, RECORDS, _told)
            taken = time.perf_counter() - begun
            yield Figure("writing, each record", taken / RECORDS * 1e6, "µs", 0, "")
        with closing(Reader(folder)) as reader:
            yield from _asked(reader, file.stat().st_size)
            yield from _started(folder, reader)


def _asked(reader: Reader, size: int) -> Iterator[Figure]:
    count, _ = reader.head()
    yield Figure(
        f"bytes of the file a record, {count:,}", size / count, "B", 0, "",
        f"at most {MOST_BYTES}", size / count <= MOST_BYTES,
    )  # fmt: skip
    asked: dict[str, Callable[[], object]] = {
        "one record": lambda: reader.entry(count // 2),
        "latest 500 of a gauge": lambda: reader.latest(500, gauge="bore-B"),
        "latest 10,000 of a characteristic": lambda: reader.latest(10_000, characteristic="B"),
        "latest 10,000 of it, what a chart shows": lambda: reader.latest(10_000, CHART, characteristic="B"),
        "  found and read, not decoded": lambda: _rows(reader, 10_000),
        "one piece": lambda: reader.latest(500, lot="L-7", piece="7"),
        "latest 500 results, of which there are none": lambda: reader.latest(
            500, kinds=["result"], gauge="bore-B"
        ),
        "500 of a period that lasts": lambda: reader.entries(
            0, 500, since_ms=BEGINNING_MS + 86_400_000 * 900
        ),
    }
    taken = medians(asked, ROUNDS, clock=time.process_time)
    goals = {"latest 500 of a gauge": LATEST_S, "latest 10,000 of it, what a chart shows": CHARACTERISTIC_S}
    for name, seconds in taken.items():
        most = goals.get(name)
        goal = f"less than {most * 1e3:g} ms" if most else ""
        yield Figure(
            name,
            seconds * 1e3,
            "ms",
            taken["one record"] * 1e3,
            "one record",
            goal,
            not most or seconds < most,
        )


def _rows(reader: Reader, count: int) -> int:
    with reader.connection() as db:
        rows = db.execute(
            "SELECT sequence, hash, body FROM records "
            "WHERE characteristic = (SELECT number FROM names WHERE name = 'B') ORDER BY sequence DESC LIMIT ?",
            (count,),
        ).fetchall()
    return len(rows)


def _started(folder: Path, reader: Reader) -> Iterator[Figure]:
    """Bring the bench to where the journal ends: from the beginning if need be, and from a snapshot."""
    count, _ = reader.head()
    begun = time.perf_counter()
    first = Snapshot(folder, reader)
    state = first.restore()
    whole = time.perf_counter() - begun
    first.save(state)
    begun = time.perf_counter()
    Snapshot(folder, reader).restore()
    snapshot = time.perf_counter() - begun
    yield Figure(
        f"the bench's state from a snapshot ({first.path.stat().st_size / 1e6:.1f} MB)", snapshot, "s",
        whole, f"at the first time, {count:,} records", f"less than {START_S} s", snapshot < START_S,
    )  # fmt: skip


def _told(made: int) -> None:
    if sys.stderr.isatty() and made % 100_000 == 0:
        print(f"\r{made:,} records", end="", file=sys.stderr, flush=True)
