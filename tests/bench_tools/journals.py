"""What stands in a journal."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

from gaugepost.core.record import Entry
from gaugepost.edge.journal import Reader


def entries_of(path: Path) -> list[Entry]:
    """Return all of its records, in their order."""
    with closing(Reader(path)) as reader:
        return list(reader.replay())
