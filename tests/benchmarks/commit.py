"""One reading committed to the journal, against the same bytes appended to a file and synced."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing
from itertools import count

from gaugepost.edge.journal import Journal
from gaugepost.edge.journal.codec import encode
from tests.benchmarks.figures import Figure, medians, scratch
from tests.edge.readings import reading

ROUNDS, CALLS = 40, 10
GOAL = 2.5


def figures() -> Iterator[Figure]:
    """Measure commits of one and of a hundred."""
    with scratch() as folder, closing(Journal.open(folder / "journal.db", "bench 1")) as journal:
        body, numbers = encode(reading()), count(1)
        file = os.open(folder / "raw", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        try:

            def raw() -> None:
                os.write(file, body)
                os.fdatasync(file)

            def raw_hundred() -> None:
                os.write(file, body * 100)
                os.fdatasync(file)

            taken = medians(
                {
                    "raw": raw,
                    "one": lambda: journal.append([reading(next(numbers))]),
                    "raw 100": raw_hundred,
                    "100": lambda: journal.append([reading(next(numbers)) for _ in range(100)]),
                },
                ROUNDS,
                CALLS,
            )
        finally:
            os.close(file)
    ratio = taken["one"] / taken["raw"]
    yield Figure(
        "commit of one reading", taken["one"] * 1e6, "µs", taken["raw"] * 1e6, "write and fdatasync",
        f"at most {GOAL} times", ratio <= GOAL,
    )  # fmt: skip
    yield Figure(
        "commit of a hundred, each",
        taken["100"] * 1e4,
        "µs",
        taken["raw 100"] * 1e4,
        "one write and fdatasync",
    )
