"""The key signs beside the work: after so many records, at the end, and never before what it signs is on the disk."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from gaugepost.commands.check import summary
from gaugepost.commands.doctor import computer
from gaugepost.core.bench import State
from gaugepost.core.bench.events import LinkUp, Stopped
from gaugepost.edge.clock import Clock
from gaugepost.edge.evidence import keys
from gaugepost.edge.evidence.coverage import Coverage, cover
from gaugepost.edge.journal import Journal, Reader, examine
from gaugepost.edge.stationfile import StationFileError, read_station
from gaugepost.edge.stationfile.tables.checkpoints import CheckpointPlan
from gaugepost.shell.evidence.checkpointing import Checkpointing
from gaugepost.shell.growth import Growth
from gaugepost.shell.recorder import Recorder
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.cli.daemons import gaugepost

HOUR_MS = 3_600_000


@dataclass
class Bench:
    """A recorder at work, and what signs its journal."""

    recorder: Recorder
    growth: Growth
    signing: Checkpointing
    clock: Clock

    async def records(self, count: int) -> None:
        """Have `count` more records on the disk."""
        wanted = self.recorder.state.sequence + count
        for number in range(count):
            self.recorder.tell(LinkUp(f"usb-{number}", "a port"), self.clock())
        async with asyncio.timeout(30):
            await self.growth.wait_beyond(wanted - 1)


@contextlib.asynccontextmanager
async def bench(folder: Path, *, records: int = 10) -> AsyncIterator[Bench]:
    path, clock = folder / "journal.db", Clock()
    with closing(Journal.open(path, "test bench")) as journal, closing(Reader(path)) as reader:
        growth = Growth(journal.sequence)
        state = State()
        recorder = Recorder(journal, growth, clock, state)
        plan = CheckpointPlan(folder / "key.pem", records, HOUR_MS)
        signing = Checkpointing(plan, recorder, reader, growth, clock)
        running = asyncio.create_task(signing.run())
        try:
            yield Bench(recorder, growth, signing, clock)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            await recorder.close()


def found(folder: Path, *public: bytes) -> Coverage:
    report = examine(folder / "journal.db")
    with closing(Reader(folder)) as reader:
        return cover(reader, report, public)


@pytest.mark.asyncio
async def test_one_after_so_many_records_and_one_at_the_end(tmp_path: Path) -> None:
    """Ten records make one due; at the end one covers the stop itself, and an idle station makes no more of them."""
    key = keys.made(tmp_path / "key.pem")
    async with bench(tmp_path) as at:
        await at.records(10)
        async with asyncio.timeout(30):
            await at.growth.wait_beyond(10)
        await at.records(2)
        at.recorder.tell(Stopped(), at.clock())
        await at.signing.end()
        head = at.growth.head
        assert await at.signing.make()
        assert at.growth.head == head
    held = found(tmp_path, key)
    assert held.sound
    assert [each.signed.checkpoint.last for each in held.held] == [10, 14]
    assert (held.covered, held.after) == ([(1, 14)], 0)


@pytest.mark.asyncio
async def test_without_its_key_the_station_measures_on(tmp_path: Path) -> None:
    """A key that is missing is said, and nothing else stops; with one it signs what came meanwhile."""
    async with bench(tmp_path) as at:
        await at.records(12)
        assert not await at.signing.make()
        assert "there is no key" in at.signing.standing.problem
        await at.records(3)
        key = keys.made(tmp_path / "key.pem")
        assert await at.signing.make()
        assert at.signing.standing.problem == ""
    assert found(tmp_path, key).covered == [(1, 15)]


@pytest.mark.asyncio
async def test_the_next_key_is_put_in_use_once_it_is_announced(tmp_path: Path) -> None:
    """The key in use announces the next one on the disk; from then on that signs, and the first verifies it."""
    first = keys.made(tmp_path / "key.pem")
    async with bench(tmp_path) as at:
        await at.records(3)
        second = keys.made(keys.next_of(tmp_path / "key.pem"))
        assert await at.signing.make()
        assert keys.read(tmp_path / "key.pem").public == second
        await at.records(3)
        assert await at.signing.make()
    held = found(tmp_path, first)
    assert held.sound
    assert [each.signed.key for each in held.held] == [first, second]


def test_the_station_file_says_which_key_and_how_often(tmp_path: Path) -> None:
    """Nothing is signed unless it is asked for; what is left out is said, and what can't be meant is refused."""
    minimal = '[station]\nname = "test bench"\ntime_zone = "UTC"\ndata = "data"\n'
    file = tmp_path / "station.toml"
    assert read_station(file, text=minimal).checkpoints is None
    plan = read_station(file, text=f"{minimal}[checkpoints]\n").checkpoints
    assert plan == CheckpointPlan(tmp_path / "data" / "checkpoint-key.pem", 1000, HOUR_MS)
    station = read_station(file, text=f"{minimal}[checkpoints]\n")
    assert [(each.level, "no key" in each.finding) for each in computer.checkpoints(station)] == [
        ("fault", True)
    ]
    assert any("the key is not there" in line for line in summary(station))
    key = keys.made(tmp_path / "data" / keys.FILE_NAME)
    assert [key.hex() in each.finding for each in computer.checkpoints(station)] == [True]
    with pytest.raises(StationFileError, match="more often than every 10 seconds"):
        read_station(file, text=f'{minimal}[checkpoints]\nevery = "5 s"\n')


@pytest.mark.attack
def test_a_station_signs_what_it_records(tmp_path: Path) -> None:
    """Made by the commands, signed by the service, proven with the public key: to the stop, and after a kill as far."""
    extra = '[checkpoints]\nrecords = 10\nevery = "10 s"\n'
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port], extra=extra))
        (tmp_path / "station.toml").write_text(daemon.station)
        station = ["--station", str(tmp_path / "station.toml")]
        made = gaugepost("key", "make", *station)
        assert made.returncode == 0, made.stderr
        public = tmp_path / "pub.pem"
        public.write_text(gaugepost("key", "show", *station).stdout)
        daemon.start()
        for number in range(12):
            port.send(f"38.{number:03} mm\r\n".encode())
        daemon.wait_for(1, kind="checkpoint")
        assert daemon.stop() == 0
        proof = gaugepost("verify", str(daemon.data), "--public-key", str(public))
        assert proof.returncode == 0, proof.stdout
        assert "after" not in proof.stdout
        daemon.start()
        daemon.wait_for(2, kind="start")
        daemon.kill()
        proof = gaugepost("verify", str(daemon.data), "--public-key", str(public))
        assert proof.returncode == 0, proof.stdout
        assert "which no checkpoint covers" in proof.stdout
