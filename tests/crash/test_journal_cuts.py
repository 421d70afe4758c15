"""The journal as it stood after every write of a real daemon, and after writes that only reached the disk in part."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from gaugepost.edge.journal import Journal, Reader, examine
from gaugepost.edge.kept.snapshot import Snapshot
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.fault.shim import SYNCS, WRITES, Done, shim_env, taped

pytestmark = pytest.mark.attack

READINGS = 70
SECTOR = 512
"""A disk writes no less than a sector at a time (ATA and NVMe alike: the smallest logical block)."""
FILES = ("journal.db", "journal.db-wal")
LOST_SETS = 200
"""States in which some of the writes since the last sync never reached the disk, as after a power cut."""


@dataclass
class Disk:
    """The journal and its log: as the daemon sees them, as they surely are on the disk, and what is between."""

    seen: dict[str, bytearray] = field(default_factory=dict)
    synced: dict[str, bytearray] = field(default_factory=dict)
    waiting: dict[str, list[Done]] = field(default_factory=dict)

    def do(self, done: Done) -> None:
        """Take one call into account."""
        name = Path(done.target).name
        if done.call in SYNCS:
            self.synced[name] = bytearray(self.seen.get(name, b""))
            self.waiting[name] = []
        else:
            put(self.seen.setdefault(name, bytearray()), done)
            self.waiting.setdefault(name, []).append(done)

    def torn(self, done: Done, length: int) -> dict[str, bytearray]:
        """What there is when only `length` bytes of the next write were written."""
        files = {name: bytearray(data) for name, data in self.seen.items()}
        put(
            files.setdefault(Path(done.target).name, bytearray()),
            Done("write", "", done.at, done.data[:length]),
        )
        return files

    def cut(self, chance: random.Random) -> dict[str, bytearray]:
        """What a power cut may leave: what was synced, any of what was not, the last of it torn at a sector."""
        files = {name: bytearray(data) for name, data in self.synced.items()}
        for name, waiting in self.waiting.items():
            for done in waiting:
                if chance.random() < 0.5:
                    edge = chance.randrange(0, len(done.data) + SECTOR, SECTOR) if done.data else 0
                    data = done.data[:edge] if chance.random() < 0.3 else done.data
                    put(files.setdefault(name, bytearray()), Done(done.call, "", done.at, data))
        return files


def put(data: bytearray, done: Done) -> None:
    """Do to `data` what was done to the file."""
    if done.call == "ftruncate":
        del data[done.at :]
        data.extend(bytes(done.at - len(data)))
        return
    data.extend(bytes(max(0, done.at - len(data))))
    data[done.at : done.at + len(done.data)] = done.data


def _recorded(folder: Path) -> tuple[list[Done], list[str]]:
    """Run the daemon, ask for each reading before the next; return its writes and the ids that were acknowledged."""
    folder.mkdir()
    tape = folder / "tape"
    with Port() as port, Daemon(folder, station_file([port]), env=shim_env(tape=tape)) as daemon:
        acknowledged: list[str] = []
        after = 0
        for number in range(READINGS):
            port.send(f"38.{number:04} mm\r\n".encode())
            if number % 3 == 0:  # else they may share a commit with the next one
                (*_, last) = daemon.wait_for(1, kind="reading", after=after)
                after = last["sequence"]
        acknowledged = [record["id"] for record in daemon.wait_for(READINGS, kind="reading")]
    return [done for done in taped(tape) if Path(done.target).name in FILES], acknowledged


def _held(files: dict[str, bytearray], folder: Path) -> list[tuple[int, bytes]]:
    """Open what there is as the daemon does; return sequence and hash of every record, in a chain that verifies."""
    folder.mkdir()
    path = folder / "journal.db"
    for name, data in files.items():
        (folder / name).write_bytes(data)
    Journal.open(path, "test bench").close()
    report = examine(path)
    assert report.sound, report.findings
    reader = Reader(path)
    held = [(entry.sequence, entry.hash) for entry in reader.replay()]
    assert Snapshot(folder, reader).restore().sequence == len(held)
    reader.close()
    for each in folder.iterdir():
        each.unlink()
    folder.rmdir()
    return held


def _states(
    writes: list[Done], disk: Disk, chance: random.Random
) -> Iterator[tuple[str, dict[str, bytearray]]]:
    """Yield every state that the files went through, and states that a cut may have left of it."""
    yield "nothing", {}
    chosen = set(chance.sample(range(len(writes)), min(LOST_SETS, len(writes))))
    for at, done in enumerate(writes):
        if done.call in WRITES:
            for edge in range(-done.at % SECTOR or SECTOR, len(done.data), SECTOR):
                yield f"write {at} torn at {edge}", disk.torn(done, edge)
        disk.do(done)
        if done.call not in SYNCS:
            yield f"after write {at}", disk.seen
        if at in chosen:
            yield f"power cut after write {at}", disk.cut(chance)
        if done.call in SYNCS:
            yield f"synced {at}", disk.synced


def test_every_state_of_the_journal_opens_with_all_that_was_acknowledged(tmp_path: Path) -> None:
    """After every write, whole or torn, the journal opens, its chain verifies, and it holds what was synced."""
    writes, acknowledged = _recorded(tmp_path / "run")
    reader = Reader(tmp_path / "run" / "data")
    truth = [(entry.sequence, entry.hash) for entry in reader.replay()]
    epoch = reader.epoch
    reader.close()
    assert [
        f"{epoch}-{sequence}" for sequence, _ in truth if f"{epoch}-{sequence}" in acknowledged
    ] == acknowledged
    chance, disk = random.Random(20261125), Disk()
    durable, states = 0, 0
    for what, files in _states(writes, disk, chance):
        held = _held(files, tmp_path / "state")
        assert len(held) >= durable, f"{what}: {len(held)} records, {durable} were synced"
        if what.startswith("synced"):
            durable = len(held)
        assert held == truth[: len(held)], f"{what}: something is there that never was"
        states += 1
    assert durable == len(truth), "the last sync is not the end of the journal"
    assert states > 2 * READINGS
