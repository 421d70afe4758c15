"""The backups that lie in a folder, and when the next one is due: by their names, which say when each was begun."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from gaugepost.core.errors import JournalError
from gaugepost.edge.files import MOUNT_OR_MAKE, plain, vanish
from gaugepost.edge.journal import Reader
from gaugepost.edge.journal.room import size_text
from gaugepost.edge.stationfile.tables.backup import BackupPlan

DAY_MS = 86_400_000
_BEGUN = "%Y-%m-%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class Kept:
    """A backup that was read back and proven before it got its name."""

    path: Path
    begun_ms: int
    """UTC."""


def named(folder: Path, station: str, now_ms: int) -> Path:
    """Return the file of a backup of `station` that is begun at `now_ms` (UTC)."""
    return folder / f"{plain(station)}-{datetime.fromtimestamp(now_ms / 1000, UTC):{_BEGUN}}.db"


def kept(folder: Path, station: str) -> list[Kept]:
    """Return this station's scheduled backups in `folder`, the newest first. Raises `OSError`."""
    form = re.compile(re.escape(plain(station)) + r"-(\d{4}-\d\d-\d\dT\d{6}Z)\.db", re.ASCII)
    found = []
    for path in folder.iterdir():
        if (match := form.fullmatch(path.name)) is not None:
            with contextlib.suppress(ValueError):  # a day that there is not
                begun = datetime.strptime(match[1], _BEGUN).replace(tzinfo=UTC)
                found.append(Kept(path, round(begun.timestamp() * 1000)))
    return sorted(found, key=lambda each: each.begun_ms, reverse=True)


def pruned(folder: Path, station: str, keep: int) -> Iterator[Path]:
    """Remove what is beyond the `keep` newest, and yield what was; another station's of like name stay.

    May raise `OSError`.
    """
    for each in kept(folder, station)[keep:]:
        with contextlib.suppress(JournalError), contextlib.closing(Reader(each.path)) as reader:
            if reader.station != station:
                continue
            each.path.unlink()
            yield each.path


def unfinished(folder: Path, station: str) -> None:
    """Remove what a backup left that was cut off: by a kill, by the power. May raise `OSError`."""
    form = re.compile(
        rf"(\.{re.escape(plain(station))}-\d{{4}}-\d\d-\d\dT\d{{6}}Z\.db\.\d+\.part)(-\w+)?", re.ASCII
    )
    for part in {match[1] for path in folder.iterdir() if (match := form.fullmatch(path.name)) is not None}:
        vanish(folder / part)


def due_ms(plan: BackupPlan, zone: ZoneInfo, last_ms: int | None, now_ms: int) -> int:
    """Return when the next backup is due, UTC; at once where there is none. One that was missed is due since then.

    A clock that was ahead once does not put it off: what was made in the future counts as made now.
    """
    if last_ms is None:
        return now_ms
    last_ms = min(last_ms, now_ms)
    if plan.at_min is None:
        return last_ms + plan.every_ms
    # Half a day of grace: what was made late one day is made in time the next.
    earliest = datetime.fromtimestamp((last_ms + plan.every_ms - DAY_MS // 2) / 1000, zone)
    day, at = earliest.date(), time(*divmod(plan.at_min, 60))
    due = datetime.combine(day, at, zone)
    if due < earliest:
        due = datetime.combine(day + timedelta(days=1), at, zone)
    return round(due.timestamp() * 1000)


def trouble(plan: BackupPlan, journal: Path, floor_bytes: int) -> str:
    """Return why no backup can be written to the folder now, empty where one can. May raise `OSError`.

    The folder is not made: where the disk it lies on is not mounted, copies would fill the computer's own.
    """
    if not plan.folder.is_dir():
        return f"there is no folder {plan.folder}; {MOUNT_OR_MAKE}"
    needed = sum(path.stat().st_size for path in (journal, Path(f"{journal}-wal")) if path.exists())
    if journal.exists() and is_same_disk(plan, journal):
        needed += floor_bytes
    free = shutil.disk_usage(plan.folder).free
    if free < needed:
        return (
            f"{size_text(free)} are free at {plan.folder}, and {size_text(needed)} are needed; free some space, "
            f"keep fewer, or name a folder on another disk"
        )
    return ""


def is_same_disk(plan: BackupPlan, journal: Path) -> bool:
    """Tell whether both lie on one disk, which takes both with it. May raise `OSError`."""
    return plan.folder.stat().st_dev == journal.parent.stat().st_dev


def cautioned(plan: BackupPlan, journal: Path, floor_bytes: int) -> str:
    """Return what somebody should know beforehand: why none can be made, or what it is not safe from; else nothing."""
    try:
        if said := trouble(plan, journal, floor_bytes):
            return said
        same = is_same_disk(plan, next(each for each in journal.parents if each.exists()) / journal.name)
    except OSError as cause:
        return (
            f"{cause.filename or plan.folder}: {cause.strerror or cause}; let the service's user write there"
        )
    if not os.access(plan.folder, os.W_OK | os.X_OK):
        return f"{plan.folder} may not be written; let the service's user write there"
    return (
        f"{plan.folder} is on the journal's own disk, which takes both with it; name another" if same else ""
    )
