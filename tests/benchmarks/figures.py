"""What every benchmark shares: figures and their goals, medians of interleaved runs, a folder on a real disk."""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

# Not the system's folder for temporary files, which is often memory: a sync would cost nothing there.
_SCRATCH = Path(__file__).parents[2] / ".pytest_cache" / "benchmarks"


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number beside its baseline from the same run."""

    what: str
    value: float
    unit: str
    baseline: float
    against: str
    """What the baseline is, in words."""
    goal: str = ""
    """What should hold, in words; empty where the figure is only there to be seen."""
    holds: bool = True

    def __str__(self) -> str:
        ratio = f"{self.value / self.baseline:6.2f} ×" if self.baseline else "     – ×"
        text = (
            f"{self.what:<42} {self.value:>10,.4g} {self.unit:<4} {ratio} "
            f"{self.baseline:,.4g} {self.unit} ({self.against})"
        )
        if not self.goal:
            return text
        return f"{text}\n{'':<42} goal: {self.goal}: {'holds' if self.holds else 'MISSED'}"


def medians(
    ways: Mapping[str, Callable[[], object]],
    rounds: int,
    calls: int = 1,
    clock: Callable[[], float] = time.perf_counter,
) -> dict[str, float]:
    """Return each way's median seconds a call over `rounds`, every round going once through all of them."""
    taken: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(rounds):
        for name, way in ways.items():
            begun = clock()
            for _ in range(calls):
                way()
            taken[name].append((clock() - begun) / calls)
    return {name: statistics.median(times) for name, times in taken.items()}


@contextmanager
def scratch() -> Iterator[Path]:
    """Lend an empty folder on the disk that the checkout lies on."""
    _SCRATCH.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=_SCRATCH) as folder:
        yield Path(folder)
