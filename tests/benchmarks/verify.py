"""How fast a journal is proven, chain and numbers, against reading and hashing the same bytes and nothing else."""

from __future__ import annotations

import hashlib
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import islice
from pathlib import Path

from gaugepost.core.bench.derive import differences
from gaugepost.core.bench.events import SetTags
from gaugepost.core.record import Kind
from gaugepost.core.setup import LinkEntry
from gaugepost.edge.decoding import Decoders
from gaugepost.edge.journal import Journal, Reader, examine
from tests.benchmarks.core import sure_hand
from tests.benchmarks.figures import Figure, medians, scratch

READINGS, PIECES, ROUNDS = 20_000, 500, 3
GOAL = 4_000
STATION = "test bench"
DECODER = '{"pattern": "{value} {unit}", "units": {"mm": "mm"}}'
LINKS = {
    "usb-1": LinkEntry(
        name="usb-1", kind="serial_port", settings="{}", decoder="delimited_text", decoder_settings=DECODER
    )
}


def figures() -> Iterator[Figure]:
    """Prove the same journal both ways, in processor time; each reading has its full budget and a guarded decision."""
    with scratch() as folder:
        file = folder / "journal.db"
        count = fill(file)
        ways: dict[str, Callable[[], object]] = {
            "hash": lambda: _hashed(file),
            "verify": lambda: examine(file, None, None),
            "verify --numbers": lambda: _derived(file),
        }
        taken = medians(ways, ROUNDS, clock=time.process_time)
    bare = count / taken.pop("hash")
    for name, seconds in taken.items():
        per_s = count / seconds
        goal = f"{GOAL} records/s or more"
        yield Figure(name, per_s, "/s", bare, "reading and hashing the bytes", goal, per_s >= GOAL)


def fill(file: Path) -> int:
    """Write a journal of readings that the bench made of frames; return how many records it has."""
    hand = sure_hand(links=LINKS)
    for piece in range(PIECES):
        hand.do(SetTags({"piece": str(piece)}))
        for at in range(READINGS // PIECES):
            hand.show(f"38.{(piece * 7 + at * 3) % 250:04d}")
    assert hand.last(Kind.READING).uncertainty_mm is not None
    with closing(Journal.open(file, STATION)) as journal:
        made = iter(hand.records)
        while page := list(islice(made, 1000)):
            journal.append(page)
    return len(hand.records)


def _hashed(file: Path) -> None:
    before = b""
    with closing(sqlite3.connect(file)) as db:
        for (body,) in db.execute("SELECT body FROM records ORDER BY sequence"):
            before = hashlib.sha256(before + body).digest()


def _derived(file: Path) -> None:
    with closing(Reader(file)) as reader:
        for each in differences(reader.replay(), Decoders()):
            assert isinstance(each, int), each
