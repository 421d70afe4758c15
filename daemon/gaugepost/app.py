"""The main path on one screen: load, open, run, drain."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from collections.abc import AsyncIterator, Callable, Coroutine, Iterable, Iterator
from functools import partial
from typing import Any

import structlog

from gaugepost import __version__
from gaugepost.contract import CommandSource, Destination, StationFacts
from gaugepost.core.bench.arrivals.window import Window
from gaugepost.core.bench.events import SetUpLoaded, Started, Stopped
from gaugepost.core.setup import GaugeEntry, ThermometerEntry, to_document
from gaugepost.edge.clock import Clock
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.service_manager import ServiceManager
from gaugepost.edge.snapshot import Snapshot
from gaugepost.edge.stationfile import DestinationPlan, LinkPlan, StartFrom, Station
from gaugepost.service import Commands, Running, build_api, encryption_of, serve
from gaugepost.shell.asking.looking_ahead import look_ahead
from gaugepost.shell.asking.wanted import ask_when_wanted
from gaugepost.shell.command_intake import CommandIntake
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost.shell.intake import Intake
from gaugepost.shell.recorder import Recorder
from gaugepost.shell.room import RoomWatch

DRAIN_S = 5.0
"""How long destinations may take at the end; what they have not got by then they get after the next start."""

log = structlog.get_logger(__name__)


async def run(station: Station, *, on_listening: Callable[[str], None]) -> int:
    """Run the station until SIGINT or SIGTERM; return the exit code.

    `on_listening` is told the service's address. Raises `GaugepostError` where the journal, the cursors or the address
    can't be had; what else ends it early is a bug, raised after an orderly end.
    """
    clock = Clock()
    async with _opened(station, clock) as running:
        recorder = running.recorder
        recorder.tell(Started(__version__), clock())
        recorder.tell(SetUpLoaded(to_document(station.set_up)), clock())
        stop, manager = _stop_signal(), ServiceManager()

        def ready(address: str) -> None:
            manager.ready(address)
            on_listening(address)

        async with _tasks(*(delivery.run() for delivery in running.deliveries)) as delivering:
            serving = serve(
                build_api(running),
                station.host,
                station.port,
                on_listening=ready,
                stop=stop,
                encryption=encryption_of(station),
            )
            asking = ask_when_wanted(recorder, running.intakes, clock)
            beside = (look_ahead(recorder, station.zone, clock), manager.feed(recorder.stalled_s))
            listening = (intake.run() for intake in running.intakes)
            commanded = _commanded(running)
            async with _tasks(
                serving, recorder.failure(), asking, *beside, *listening, *commanded
            ) as working:
                await _first_end(stop, *working, *delivering)
            manager.stopping()
            recorder.tell(Stopped(), clock())
            lost = await recorder.close()
            await asyncio.gather(*(delivery.drain(DRAIN_S) for delivery in running.deliveries))
    if lost:
        log.error("ended with events that could not be recorded", count=lost, problem=recorder.problem)
    return 1 if lost else 0


@contextlib.asynccontextmanager
async def _opened(station: Station, clock: Clock) -> AsyncIterator[Running]:
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
        state = snapshot.restore()
        if snapshot.finding:
            log.info("applied the whole journal", records=state.sequence, snapshot=snapshot.finding)
        growth = Growth(journal.sequence)
        recorder = Recorder(journal, growth, clock, state)
        destinations = _destinations(station)
        try:
            room = RoomWatch(reader, station.disk_floor, station.disk_warning_ms, lambda: clock().utc_ms)
            async with _tasks(_kept(snapshot, recorder, growth), room.run()):
                yield Running(
                    station=station,
                    recorder=recorder,
                    reader=reader,
                    growth=growth,
                    intakes=tuple(_intake(plan, station, recorder, clock) for plan in station.links.values()),
                    deliveries=tuple(
                        _delivery(plan, destination, reader, cursors, growth, clock)
                        for plan, destination in destinations
                    ),
                    cursors=cursors,
                    now=clock,
                    started=clock(),
                    command_intakes=tuple(_command_intakes(destinations, clock)),
                    room=room,
                )
        finally:
            await recorder.close()
            cursors.close()
            await _save(snapshot, recorder)


async def _kept(snapshot: Snapshot, recorder: Recorder, growth: Growth) -> None:
    """Write a snapshot of the bench whenever the journal has grown enough since the last one."""
    while True:
        await growth.wait_beyond(snapshot.due_beyond)
        await _save(snapshot, recorder)


async def _save(snapshot: Snapshot, recorder: Recorder) -> None:
    if problem := await asyncio.to_thread(snapshot.save, recorder.state):
        log.warning("no snapshot of the bench: the next start takes longer", problem=problem)


def _intake(plan: LinkPlan, station: Station, recorder: Recorder, clock: Clock) -> Intake:
    on_link = [gauge for gauge in station.set_up.gauges.values() if gauge.link == plan.name]
    meters = [meter for meter in station.set_up.thermometers.values() if meter.link == plan.name]
    asked: list[GaugeEntry | ThermometerEntry] = [*(gauge for gauge in on_link if not gauge.stream), *meters]
    return Intake(
        plan.name,
        lambda: plan.link(plan.settings, clock),
        plan.decoder(plan.decoder_settings),
        recorder,
        clock,
        {gauge.channel: Window(gauge) for gauge in on_link if gauge.stream},
        {each.channel: each.answer_within_ms / 1000 for each in asked},
        {each.channel: each.ask_every_ms / 1000 for each in asked if each.ask_every_ms is not None},
    )


def _destinations(station: Station) -> list[tuple[DestinationPlan, Destination]]:
    """Make every destination that can be used."""
    facts, made = StationFacts(station.name, station.zone, station.data), []
    for plan in station.destinations.values():
        if plan.destination is None or plan.settings is None:
            log.error("destination disabled", destination=plan.name, problem=plan.problem)
        else:
            made.append((plan, plan.destination(plan.settings, facts)))
    return made


def _delivery(
    plan: DestinationPlan,
    destination: Destination,
    reader: Reader,
    cursors: Cursors,
    growth: Growth,
    clock: Clock,
) -> Delivery:
    return Delivery(
        plan.name,
        destination,
        reader,
        cursors,
        growth,
        plan.kinds,
        kind=plan.kind,
        start=plan.from_.value if isinstance(plan.from_, StartFrom) else round(plan.from_.timestamp() * 1000),
        utc_ms=lambda: clock().utc_ms,
    )


def _command_intakes(
    destinations: Iterable[tuple[DestinationPlan, Destination]], clock: Clock
) -> Iterator[CommandIntake]:
    for plan, source in destinations:
        if isinstance(source, CommandSource) and source.brings_commands:
            yield CommandIntake(plan.name, source.commands, lambda: clock().utc_ms)


def _commanded(running: Running) -> Iterator[Coroutine[Any, Any, None]]:
    commands = Commands(running)
    return (
        intake.run(partial(commands.carry_out, by=intake.destination)) for intake in running.command_intakes
    )


def _stop_signal() -> asyncio.Event:
    stop, loop = asyncio.Event(), asyncio.get_running_loop()
    for name in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(name, stop.set)
    return stop


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
