"""A ring turns out bad: how long until all that depended on it is listed with what becomes of it.

Processor time: tracing is work and waits for nothing, and another program on the computer is none of its matter.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from decimal import Decimal

from gaugepost.core.bench.tracing.dependants import Asked, What
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.bench.tracing.tracing import trace
from gaugepost.edge.collector import without_collector
from gaugepost.edge.journal import Reader
from gaugepost.edge.journal.lookup import Lookup
from tests.bench_tools.recall import BAD, fill
from tests.benchmarks.figures import Figure, scratch

RECORDS, AFFECTED = 1_000_000, 10_000
GOAL_S = 2.0
SMALLER = Revision(masters={BAD: {"size": Decimal("37.9982")}})


def figures() -> Iterator[Figure]:
    """Trace it in a journal of a million records, the scatter from the gauge's own masterings and declared."""
    for repeatability in (False, True):
        with scratch() as folder:
            fill(folder / "journal.db", RECORDS, AFFECTED, repeatability=repeatability)
            with closing(Reader(folder)) as reader:
                last, _ = reader.head()
                begun = time.process_time()
                found = list(Lookup(reader).readings("bore-A", last // 2, last // 2 + 60_000))[:AFFECTED]
                reading_s = time.process_time() - begun
                begun = time.process_time()
                with without_collector():  # as the command does
                    made = trace(Lookup(reader), Asked(What.MASTER, BAD), SMALLER, last)
                taken_s = time.process_time() - begun
            assert len(found) == len(made.rows) == AFFECTED
            assert all(row.changes for row in made.rows)
        how = "repeatability declared" if repeatability else "from 1000 masterings"
        yield Figure(
            f"{AFFECTED} affected of {last}, {how}",
            taken_s,
            "s",
            reading_s,
            "reading as many records",
            f"less than {GOAL_S} s",
            taken_s < GOAL_S,
        )
