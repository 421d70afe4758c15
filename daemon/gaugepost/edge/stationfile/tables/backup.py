"""The table [backup]: where copies of the journal go, how often, and how many are kept."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from gaugepost.edge.stationfile.findings import Report
from gaugepost.edge.stationfile.tables.common import Table, Words
from gaugepost.edge.stationfile.values import ClockMinute, LastingMs

DAY_MS = 86_400_000
LEAST_MS = 60_000


class BackupTable(Table):
    """Backups of the journal that the running service makes by itself; none where the table is missing."""

    what = "scheduled backups"
    folder: Words = Field(examples=["/media/backups"])
    """Folder for them, best on another disk; it has to be there. A relative one starts in the data folder."""
    every: LastingMs = DAY_MS
    """How often one is made. A day."""
    at: ClockMinute | None = None
    """Time of day, in the station's zone; where it is missing, `every` after the last one."""
    keep: Annotated[int, Field(ge=1, le=1000)] = 14
    """How many are kept. Older ones are removed once a newer one was read back and is sound."""


@dataclass(frozen=True, slots=True)
class BackupPlan:
    """What the service makes of it."""

    folder: Path
    every_ms: int
    at_min: int | None
    """Minutes after midnight in the station's zone."""
    keep: int


def check(report: Report, table: BackupTable) -> None:
    """Note what can't be meant."""
    if table.every < LEAST_MS:
        report.error(
            ("backup", "every"), "is more often than once a minute", "a minute or more", 'write it as "1 d" or "1 h"'
        )  # fmt: skip
    if table.at is not None and table.every % DAY_MS:
        report.error(
            ("backup", "at"), "is a time of day, and every is not in whole days",
            'every = "1 d" or another number of days', 'write every = "1 d", or leave at out',
        )  # fmt: skip


def plan(table: BackupTable, data: Path) -> BackupPlan:
    """Return what the table comes to; `data` is where a relative folder starts."""
    return BackupPlan(data / table.folder, table.every, table.at, table.keep)
