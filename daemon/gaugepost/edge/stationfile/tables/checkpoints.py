"""The table [checkpoints]: which key signs the journal's head, and how often."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from gaugepost.edge.stationfile.findings import Report
from gaugepost.edge.stationfile.tables.common import Table, Words
from gaugepost.edge.stationfile.values import LastingMs

HOUR_MS = 3_600_000
LEAST_MS = 10_000


class CheckpointsTable(Table):
    """Signatures over the journal's head (Ed25519); none where the table is missing."""

    what = "checkpoints"
    key_file: Words = "checkpoint-key.pem"
    """File of the private key, its owner's alone; `gaugepost key make` makes it. Relative: in the data folder."""
    records: Annotated[int, Field(ge=10, le=1_000_000)] = 1000
    """After how many records there is another one."""
    every: LastingMs = HOUR_MS
    """After how long there is one where fewer came, and any did. An hour."""


@dataclass(frozen=True, slots=True)
class CheckpointPlan:
    """What the service makes of it."""

    key: Path
    records: int
    every_ms: int


def check(report: Report, table: CheckpointsTable) -> None:
    """Note what can't be meant."""
    if table.every < LEAST_MS:
        report.error(
            ("checkpoints", "every"), "is more often than every 10 seconds", "10 s or more",
            'write it as "1 h" or "10 min"',
        )  # fmt: skip


def plan(table: CheckpointsTable, data: Path) -> CheckpointPlan:
    """Return what the table comes to; `data` is where a relative file lies."""
    return CheckpointPlan(data / table.key_file, table.records, table.every)
