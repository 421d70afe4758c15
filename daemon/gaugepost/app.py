"""The main path on one screen: load, open, run, drain."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from gaugepost import __version__
from gaugepost.core.bench.events import SetUpLoaded, Started, Stopped
from gaugepost.core.errors import GaugepostError, JournalError
from gaugepost.core.setup import to_document
from gaugepost.edge.access import AccessFile, PeopleFile
from gaugepost.edge.clock import Clock
from gaugepost.edge.collector import set_apart
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.kept.snapshot import ON_THE_WAY, Snapshot
from gaugepost.edge.service_manager import ServiceManager
from gaugepost.edge.stationfile import Station
from gaugepost.service import Commands, Running, build_api, encryption_of, serve
from gaugepost.shell.asking.looking_ahead import look_ahead
from gaugepost.shell.asking.wanted import ask_when_wanted
from gaugepost.shell.backups.scheduled import Backups
from gaugepost.shell.evidence.access import AccessRecords
from gaugepost.shell.evidence.checkpointing import Checkpointing
from gaugepost.shell.growth import Growth
from gaugepost.shell.parts.parts import Parts
from gaugepost.shell.parts.reloading import Reloading, Reread
from gaugepost.shell.recorder import Recorder
from gaugepost.shell.room import RoomWatch

DRAIN_S = 5.0
"""How long destinations may take at the end; what they have not got by then they get after the next start."""

READ_AHEAD = 2000
"""Records: in so many it is learned how those of a kind are alike, and their pages of the file are in memory then."""

log = structlog.get_logger(__name__)


async def run(station: Station, *, reread: Reread, on_listening: Callable[[str], None]) -> int:
    """Run the station until SIGINT or SIGTERM; return the exit code.

    `reread` gives the station as its file describes it by then, for a reload. `on_listening` is
    told the service's address. Raises `GaugepostError` where the journal, the cursors or the address
    can't be had; what else ends it early is a bug, raised after an orderly end.
    """
    clock = Clock()
    manager = ServiceManager()
    async with _opened(station, reread, clock, manager) as running:
        recorder, parts = running.recorder, running.parts
        recorder.tell(Started(__version__), clock())
        recorder.tell(SetUpLoaded(to_document(station.set_up)), clock())
        stop = _stop_signal()
        _reload_signal(running.reload, manager)

        def ready(address: str) -> None:
            manager.ready(address)
            on_listening(address)

        async with parts.delivering:
            parts.deliver()
            serving = serve(
                build_api(running),
                station.host,
                station.port,
                on_listening=ready,
                stop=stop,
                encryption=encryption_of(station),
            )
            asking = ask_when_wanted(recorder, parts.intakes, clock)
            beside = (
                look_ahead(recorder, station.zone, clock),
                manager.feed(recorder.stalled_s),
                *(each.run() for each in (running.access,) if each is not None),
            )
            failing = (recorder.failure(), parts.listening.failure(), parts.delivering.failure())
            async with parts.listening, _tasks(serving, asking, *beside, *failing) as working:
                parts.listen(Commands(running).carry_out)
                await _first_end(stop, *working)
            manager.stopping()
            recorder.tell(Stopped(), clock())
            if running.checkpoints is not None:
                await running.checkpoints.end()
            lost = await recorder.close()
            await asyncio.gather(*(delivery.drain(DRAIN_S) for delivery in running.deliveries))
    if lost:
        log.error("ended with events that could not be recorded", count=lost, problem=recorder.problem)
    return 1 if lost else 0


@contextlib.asynccontextmanager
async def _opened(
    station: Station, reread: Reread, clock: Clock, manager: ServiceManager
) -> AsyncIterator[Running]:
    """Open journal and cursors, bring the bench to where the journal ends, and make everything that runs."""
    path = station.data / "journal.db"
    with (
        contextlib.closing(Journal.open(path, station.name)) as journal,
        contextlib.closing(Reader(path)) as reader,
    ):
        cursors = Cursors(station.data / "deliveries.db", first_start=journal.sequence == 0)
        if cursors.finding:
            log.warning("cursors were lost", finding=cursors.finding)
        snapshot = Snapshot(station.data, reader)
        state = snapshot.restore(partial(_applying, manager), keep=True)
        set_apart()
        if snapshot.finding:
            log.info("applied the whole journal", records=state.sequence, snapshot=snapshot.finding)
        growth = Growth(journal.sequence)
        recorder = Recorder(journal, growth, clock, state)
        parts = Parts(station, recorder, reader, cursors, growth, clock)
        try:
            room = RoomWatch(reader, station.disk_floor, station.disk_warning_ms, lambda: clock().utc_ms)
            signing = _checkpoints(station, recorder, reader, growth, clock)
            backups = _backups(station, path, clock, *(each.make for each in signing))
            access = AccessRecords(
                PeopleFile(station.data), AccessFile(station.data), recorder, reader, clock
            )
            beside = [*(each.run() for each in backups), *(each.run() for each in signing)]
            async with _tasks(_kept(snapshot, recorder, growth), room.run(), _read_ahead(reader), *beside):
                yield Running(
                    parts=parts,
                    recorder=recorder,
                    reader=reader,
                    growth=growth,
                    cursors=cursors,
                    now=clock,
                    started=clock(),
                    reload=Reloading(parts, recorder, reread),
                    room=room,
                    backups=next(iter(backups), None),
                    checkpoints=next(iter(signing), None),
                    access=access,
                )
        finally:
            await recorder.close()
            cursors.close()
            await _save(snapshot, recorder)


def _applying(manager: ServiceManager, sequence: int, last: int) -> None:
    """Tell how far a journal of years has been applied, where the start waits for that."""
    manager.starting(f"applying the journal, record {sequence} of {last}")
    if sequence % ON_THE_WAY == 0:
        log.info("applying the journal", sequence=sequence, last=last)


def _backups(
    station: Station, journal: Path, clock: Clock, before: Callable[[], Awaitable[object]] | None = None
) -> list[Backups]:
    """Make the schedule of backups, where the station file has one; `before` is waited for before each."""
    if station.backup is None:
        return []
    plan, zone, floor = station.backup, station.zone, station.disk_floor
    key = None if station.checkpoints is None else station.checkpoints.key
    made = Backups(plan, station.name, zone, journal, floor, lambda: clock().utc_ms, before=before, key=key)
    return [made]


def _checkpoints(
    station: Station, recorder: Recorder, reader: Reader, growth: Growth, clock: Clock
) -> list[Checkpointing]:
    """Make what signs the journal's head, where the station file has a key."""
    if station.checkpoints is None:
        return []
    return [Checkpointing(station.checkpoints, recorder, reader, growth, clock)]


async def _read_ahead(reader: Reader) -> None:
    """Read what is asked for first, beside the start: the first page is there as fast as those after it."""
    with contextlib.suppress(JournalError):  # whoever asks is told
        await asyncio.to_thread(reader.latest, READ_AHEAD)


async def _kept(snapshot: Snapshot, recorder: Recorder, growth: Growth) -> None:
    """Write a snapshot of the bench whenever the journal has grown enough since the last one."""
    while True:
        await growth.wait_beyond(snapshot.due_beyond)
        await _save(snapshot, recorder)


async def _save(snapshot: Snapshot, recorder: Recorder) -> None:
    if problem := await asyncio.to_thread(snapshot.save, recorder.state):
        log.warning("no snapshot of the bench: the next start takes longer", problem=problem)


def _stop_signal() -> asyncio.Event:
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for name in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(name, stop.set)
    return stop


def _reload_signal(reload: Reloading, manager: ServiceManager) -> None:
    """Have SIGHUP read the station file again; what is in the way goes to the log, and all stays as it is."""
    under_way = set[asyncio.Task[None]]()

    async def again() -> None:
        manager.reloading()
        try:
            await reload()
        except GaugepostError as error:
            log.error("station file not taken", problem=str(error))  # noqa: TRY400 - no bug of ours
        finally:
            manager.reloaded()

    def hear() -> None:
        task = asyncio.create_task(again())
        under_way.add(task)
        task.add_done_callback(under_way.discard)

    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, hear)


@contextlib.asynccontextmanager
async def _tasks(*work: Coroutine[Any, Any, None]) -> AsyncIterator[list[asyncio.Task[None]]]:
    """Run coroutines as tasks for the time of the block; then cancel them and wait for their end."""
    tasks = [asyncio.create_task(each) for each in work]
    try:
        yield tasks
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _first_end(stop: asyncio.Event, *tasks: asyncio.Task[None]) -> None:
    """Wait for the stop signal, or raise what ended a task before it. A delivery that is broken just ends."""
    stopping = asyncio.create_task(stop.wait())
    try:
        waiting: set[asyncio.Task[Any]] = {stopping, *tasks}
        while not stop.is_set():
            done, waiting = await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
    finally:
        stopping.cancel()
