"""What is found about a station: well, to be watched, or to be put right, with its remedy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["well", "warning", "fault"]


@dataclass(frozen=True, slots=True)
class Found:
    """One finding."""

    level: Level
    about: str
    """What was looked at, as `disk` or `link bore-serial`."""
    finding: str
    remedy: str = ""
    """What to do; empty only where all is well."""


def well(about: str, finding: str) -> Found:
    """Return that something is as it should be."""
    return Found("well", about, finding)


def warning(about: str, finding: str, remedy: str) -> Found:
    """Return what the station can work with, and should not for long."""
    return Found("warning", about, finding, remedy)


def fault(about: str, finding: str, remedy: str) -> Found:
    """Return what keeps the station from its work."""
    return Found("fault", about, finding, remedy)
