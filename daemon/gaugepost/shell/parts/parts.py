"""A station's links and destinations: made from its file, kept at work, and exchanged one by one."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial

import structlog

from gaugepost.contract import CommandSource, Destination, StationFacts
from gaugepost.core.bench.arrivals.window import Window
from gaugepost.core.indication import Moment
from gaugepost.core.setup import GaugeEntry, SetUp, ThermometerEntry
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Reader
from gaugepost.edge.stationfile import DestinationPlan, LinkPlan, StartFrom, Station
from gaugepost.shell.command_intake import CommandIntake
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost.shell.intake import AWAY, Intake
from gaugepost.shell.lessons.lessons import Lessons
from gaugepost.shell.recorder import Recorder
from gaugepost.shell.tasks import Tasks

CarryOut = Callable[..., Awaitable[Mapping[str, object]]]
"""Carries out the command of a name with what was sent, which came `by` a destination."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Made:
    """What was made of a station file's plans and does not run yet."""

    intakes: Mapping[str, Intake]
    destinations: Mapping[str, Destination]


class Parts:
    """What runs of a station. Links end before the recorder closes, deliveries only after: so there are two blocks."""

    def __init__(
        self,
        station: Station,
        recorder: Recorder,
        reader: Reader,
        cursors: Cursors,
        growth: Growth,
        now: Callable[[], Moment],
    ) -> None:
        self.station = station
        self.listening, self.delivering = Tasks(), Tasks()
        self._recorder, self._reader, self._cursors, self._growth, self._now = (
            recorder,
            reader,
            cursors,
            growth,
            now,
        )
        self._carry_out: CarryOut | None = None
        self._lent: dict[str, str] = {}
        """Links that a lesson has, and what is said of each."""
        self.lessons = Lessons(self._lend, self._take_back)
        made = self.make(station)
        self.intakes: dict[str, Intake] = dict(made.intakes)
        self.deliveries: dict[str, Delivery] = {}
        self.command_intakes: dict[str, CommandIntake] = {}
        for name, destination in made.destinations.items():
            self._add(station.destinations[name], destination)

    def make(self, new: Station, without: Station | None = None) -> Made:
        """Make what `new` plans and `without` does not plan alike. Nothing is opened.

        A destination whose plug-in can't be used is left out, and said so in the log.
        """
        known_links = without.links if without else {}
        known = without.destinations if without else {}
        facts, destinations = StationFacts(new.name, new.zone, new.data), {}
        for name, plan in new.destinations.items():
            if plan == known.get(name):
                continue
            if plan.destination is None or plan.settings is None:
                log.error("destination disabled", destination=name, problem=plan.problem)
            else:
                destinations[name] = plan.destination(plan.settings, facts)
        links = {name: plan for name, plan in new.links.items() if plan != known_links.get(name)}
        return Made({name: self._intake(plan, new.set_up) for name, plan in links.items()}, destinations)

    def deliver(self) -> None:
        """Start every delivery, in the block of `delivering`."""
        for name, delivery in self.deliveries.items():
            self.delivering.start(name, delivery.run())

    def listen(self, carry_out: CarryOut) -> None:
        """Start every link and all that brings commands, in the block of `listening`."""
        self._carry_out = carry_out
        for name in self.intakes:
            self._listen_to(name)
        self.listening.start("lessons", self.lessons.run())
        for name in self.command_intakes:
            self._take_commands(name)

    async def take(self, new: Station, made: Made) -> None:
        """Go on with `new`: what it plans alike is left at work, the rest ends, begins or is exchanged."""
        old, self.station = self.station, new
        for name in old.links:
            if old.links[name] != new.links.get(name):
                await self.listening.end(f"link {name}")
                self.intakes.pop(name).leave("the station file has it otherwise now")
        for name, intake in self.intakes.items():
            await intake.serve(*channels_of(new.set_up, name))
        kept = {name: self.intakes.get(name) or made.intakes[name] for name in new.links}
        self.intakes.clear()
        self.intakes.update(kept)
        for name in made.intakes:
            self._listen_to(name)
        for name in old.destinations:
            if old.destinations[name] != new.destinations.get(name):
                await self.listening.end(f"commands by {name}")
                await self.delivering.end(name)
                self.command_intakes.pop(name, None)
                self.deliveries.pop(name, None)
        for name, destination in made.destinations.items():
            self._add(new.destinations[name], destination)
            self.delivering.start(name, self.deliveries[name].run())
            self._take_commands(name)

    async def _lend(self, link: str, why: str) -> None:
        """Leave a link to a lesson; the bench is told that it is lost, and why."""
        self._lent[link] = why
        await self.listening.end(f"link {link}")
        self._listen_to(link)

    def _take_back(self, link: str) -> None:
        """Listen again to a link that was lent, as the station file has it by now, if it still has it."""
        self._lent.pop(link, None)
        self._listen_to(link)

    def _listen_to(self, link: str) -> None:
        if (intake := self.intakes.get(link)) is None:
            return
        if (why := self._lent.get(link)) is not None:
            intake.leave(why, AWAY)
        elif self._carry_out is not None:
            self.listening.start(f"link {link}", intake.run())

    def _take_commands(self, name: str) -> None:
        if self._carry_out is not None and (intake := self.command_intakes.get(name)):
            self.listening.start(f"commands by {name}", intake.run(partial(self._carry_out, by=name)))

    def _add(self, plan: DestinationPlan, destination: Destination) -> None:
        def utc_ms() -> int:
            return self._now().utc_ms

        self.deliveries[plan.name] = Delivery(
            plan.name,
            destination,
            self._reader,
            self._cursors,
            self._growth,
            plan.kinds,
            kind=plan.kind,
            start=plan.from_.value
            if isinstance(plan.from_, StartFrom)
            else round(plan.from_.timestamp() * 1000),
            utc_ms=utc_ms,
        )
        if isinstance(destination, CommandSource) and destination.brings_commands:
            self.command_intakes[plan.name] = CommandIntake(plan.name, destination.commands, utc_ms)

    def _intake(self, plan: LinkPlan, set_up: SetUp) -> Intake:
        return Intake(
            plan.name,
            lambda: plan.link(plan.settings, self._now),
            plan.decoder(plan.decoder_settings),
            self._recorder,
            self._now,
            *channels_of(set_up, plan.name),
        )


def channels_of(set_up: SetUp, link: str) -> tuple[dict[str, Window], dict[str, float], dict[str, float]]:
    """Return what is on a link, by channel: windows of those that stream, how long answers are waited for, how often
    each is asked by itself; times in seconds."""
    on_link = [gauge for gauge in set_up.gauges.values() if gauge.link == link]
    meters = [meter for meter in set_up.thermometers.values() if meter.link == link]
    asked: Iterable[GaugeEntry | ThermometerEntry] = [*(g for g in on_link if not g.stream), *meters]
    return (
        {gauge.channel: Window(gauge) for gauge in on_link if gauge.stream},
        {each.channel: each.answer_within_ms / 1000 for each in asked},
        {each.channel: each.ask_every_ms / 1000 for each in asked if each.ask_every_ms is not None},
    )
