"""How long the disk has room for what is recorded, by how the journal grew of late: said before it is too late."""

from __future__ import annotations

import contextlib
import shutil
from dataclasses import dataclass
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.edge.journal.reader import Reader

DAY_MS = 86_400_000
LATELY_MS = 30 * DAY_MS
"""The present rate is that of so long."""
LEAST_MS = DAY_MS
"""A rate that was seen for less says nothing about a month."""
NO_END_DAYS = 36_500.0

REMEDY = "move records of years ago away (`gaugepost archive`) or free some space"


@dataclass(frozen=True, slots=True)
class Room:
    """What the disk has, and how fast it is used."""

    free_bytes: int
    floor_bytes: int
    day_bytes: float | None
    """What the journal grows by in a day; None where it is too young to say."""

    @property
    def days_left(self) -> float | None:
        """Days until the free space reaches the floor at the present rate; None where that is unknown or never."""
        return forecast(self.free_bytes, self.floor_bytes, self.day_bytes)

    @property
    def is_below(self) -> bool:
        """Whether less is free than the floor."""
        return self.free_bytes < self.floor_bytes

    def warning(self, warning_ms: int) -> str:
        """Return what somebody must know of it, empty where nothing."""
        floor = size_text(self.floor_bytes)
        if self.is_below:
            return (
                f"{size_text(self.free_bytes)} are free on the journal's disk, less than the floor of {floor}: "
                f"{REMEDY}; when nothing is left, nothing is recorded"
            )
        days = self.days_left
        if days is not None and days * DAY_MS < warning_ms:
            return f"the journal's disk reaches its floor of {floor} in {days:.0f} days at the present rate: {REMEDY}"
        return ""

    def told(self) -> str:
        """Return it in words."""
        text = f"{size_text(self.free_bytes)} free, floor {size_text(self.floor_bytes)}"
        if self.day_bytes is None:
            return f"{text}; too young for a forecast"
        days = self.days_left
        rate = f"{size_text(round(self.day_bytes))} a day"
        if days is None or days > NO_END_DAYS:
            return f"{text}; at {rate} it lasts for more than {NO_END_DAYS / 365:.0f} years"
        return f"{text}; at {rate} it is reached in {f'{days:.0f} days' if days < 730 else f'{days / 365:.0f} years'}"


def forecast(free_bytes: int, floor_bytes: int, day_bytes: float | None) -> float | None:
    """Return the days until `free_bytes` are `floor_bytes`, 0 where they are fewer; None where nothing is used."""
    if free_bytes <= floor_bytes:
        return 0.0
    return None if not day_bytes or day_bytes < 0 else (free_bytes - floor_bytes) / day_bytes


def rate(records: int, seen_ms: int, record_bytes: float) -> float | None:
    """Return the bytes a day that `records` in `seen_ms` come to; None where they were seen for too short a time."""
    return None if seen_ms < LEAST_MS else records * record_bytes * DAY_MS / seen_ms


def look(reader: Reader, floor_bytes: int, now_ms: int) -> Room:
    """Look at the journal and its disk. Blocks on the disk.

    Raises:
        JournalError: the journal can't be read.
    """
    free = shutil.disk_usage(reader.path.parent).free
    with reader.connection() as db:
        (first,) = db.execute("SELECT min(measured_at) FROM records WHERE measured_at > 0").fetchone()
        since = now_ms - LATELY_MS
        (count,) = db.execute(
            "SELECT count(*) FROM records WHERE measured_at >= ? AND measured_at <= ?", (since, now_ms)
        ).fetchone()
        (all_pages,) = db.execute("PRAGMA page_count").fetchone()
        (free_pages,) = db.execute("PRAGMA freelist_count").fetchone()
        (page_bytes,) = db.execute("PRAGMA page_size").fetchone()
    used, records = (all_pages - free_pages) * page_bytes, max(1, reader.head()[0] - reader.base[0])
    seen = 0 if first is None else now_ms - max(first, since)
    # Pages that were cleared are used before the file grows.
    return Room(free + free_pages * page_bytes, floor_bytes, rate(count, seen, used / records))


def look_at(data: Path, floor_bytes: int, now_ms: int) -> Room | None:
    """Look at the journal in a data folder, or only at the disk where none is there yet; None where neither can be."""
    try:
        with contextlib.closing(Reader(data)) as reader:
            return look(reader, floor_bytes, now_ms)
    except JournalError:
        there = next((each for each in (data, *data.parents) if each.is_dir()), None)
        return None if there is None else Room(shutil.disk_usage(there).free, floor_bytes, None)


def size_text(size: int) -> str:
    """Return a number of bytes as people say it: 12.3 GB."""
    for unit, factor in (("TB", 10**12), ("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if size >= factor:
            return f"{size / factor:.1f} {unit}"
    return f"{size} bytes"
