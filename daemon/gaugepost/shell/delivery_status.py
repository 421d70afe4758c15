"""How a delivery stands, as shown to a person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from gaugepost.edge.asides import Counts
from gaugepost.edge.cursors import Batch

State = Literal["idle", "delivering", "unreachable", "broken"]


@dataclass(frozen=True, slots=True)
class Status:
    """How a delivery stands, as shown to a person."""

    name: str
    kind: str
    """The destination's adapter, as the station file names it."""
    state: State
    through: int
    """Every record up to this sequence was delivered, refused, skipped, or of no interest."""
    lag: int
    """Records of the journal after `through`, of whatever kind."""
    last_error: str
    """What was wrong last, also when it no longer is; empty where nothing ever was."""
    since_ms: int
    """Wall time (UTC, ms) since which the state is what it is; idle and delivering count as one."""
    counts: Counts
    """What is set aside, of this epoch of the journal."""
    pending: Batch | None
    """The batch that was begun and not ended."""
