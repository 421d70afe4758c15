"""A station for tests of the bench, and a hand that makes things happen at it, with a clock of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal as D
from typing import Any

from gaugepost.core.bench import Decision, Event, State, apply, decide, events as ev
from gaugepost.core.indication import Indication, Moment, Temperature
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import (
    Body,
    CharacteristicEntry,
    Contact,
    Display,
    Feature,
    GaugeEntry,
    MasterEntry,
    SetUp,
    ThermometerEntry,
    to_document,
)

STEEL = D("11.5E-6")

GAUGE = GaugeEntry(
    name="bore-1",
    link="usb-1",
    contact=Contact.THREE_POINT,
    display=Display.ABSOLUTE,
    coefficient=STEEL,
    preset_limit_mm=D("0.05"),
    check_limit_mm=D("0.002"),
    mastering_readings=2,
    valid_for_ms=8 * 3_600_000,
)
RING = MasterEntry(name="ring-1", size_mm=D("38.0012"), serial="R-1", coefficient=STEEL)
BORE = CharacteristicEntry(
    name="A",
    feature=Feature.BORE,
    unit=Unit.MM,
    lower_mm=D("38.000"),
    upper_mm=D("38.025"),
    nominal_mm=D("38"),
    step=D("0.001"),
    coefficient=STEEL,
    gauges=("bore-1",),
)
AIR = ThermometerEntry(
    name="air",
    link="usb-9",
    body=Body.AIR,
    stands_in_for=(Body.PART, Body.GAUGE, Body.MASTER),
    spread_k=D("0.5"),
)


def set_up(
    gauge: Mapping[str, Any] | None = None, characteristic: Mapping[str, Any] | None = None, **station: Any
) -> SetUp:
    """Return a station with one gauge, one ring and one bore, with what is given changed."""
    entry = replace(GAUGE, **(gauge or {}))
    bore = replace(BORE, gauges=(entry.name,), **(characteristic or {}))
    made: dict[str, Any] = {
        "station": "test bench",
        "zone": "UTC",
        "gauges": {entry.name: entry},
        "masters": {RING.name: RING},
        "thermometers": {},
        "characteristics": {bore.name: bore},
    }
    return SetUp(**(made | station))


@dataclass
class Hand:
    """Makes events happen one after the other and keeps every record they led to."""

    set_up: SetUp
    state: State = field(default_factory=State)
    records: list[Record] = field(default_factory=list)
    now: Moment = field(default_factory=lambda: Moment(1_790_000_000_000, 50_000, "boot-1"))

    def __post_init__(self) -> None:
        self.do(ev.Started("test"))
        self.load(self.set_up)
        for link in sorted({g.link for g in self.set_up.gauges.values()} | {"usb-9"}):
            self.do(ev.LinkUp(link, "a port"))

    def load(self, set_up: SetUp) -> Decision:
        """Load another station file."""
        self.set_up = set_up
        return self.do(ev.SetUpLoaded(to_document(set_up)))

    def wait(self, ms: int, *, wall_ms: int | None = None) -> None:
        """Let time pass; `wall_ms` where the wall clock moves otherwise."""
        passed = ms if wall_ms is None else wall_ms
        self.now = Moment(self.now.utc_ms + passed, self.now.clock_ms + ms, self.now.boot)

    def do(self, event: Event) -> Decision:
        """Let `event` happen a second after the last one."""
        self.wait(1000)
        return self.at_once(event)

    def at_once(self, event: Event) -> Decision:
        """Let `event` happen at the present moment."""
        decision = decide(self.state, event, self.now)
        for record in decision.records:
            self.state = apply(self.state, record)
            self.records.append(record)
        return decision

    def show(self, digits: str, *, gauge: str = "bore-1", unit: Unit | None = Unit.MM) -> Record:
        """Have the gauge send digits; return the first record of it."""
        entry = self.set_up.gauges[gauge]
        sent = Indication(digits, D(digits), unit, f"{digits} {unit}".encode(), entry.channel)
        return self.do(ev.Arrived(entry.link, sent)).records[0]

    def warm(self, celsius: str, thermometer: str = "air") -> Decision:
        """Have a thermometer send a temperature."""
        return self.do(
            ev.Arrived(self.set_up.thermometers[thermometer].link, Temperature(D(celsius), celsius.encode()))
        )

    def master(self, *digits: str, ring: str = "ring-1", **more: Any) -> Record:
        """Master the gauge on the ring, with these readings; return what became of it."""
        gauge = next(iter(self.set_up.gauges))
        serial = self.set_up.masters[ring].serial
        begun = self.do(
            ev.BeginMastering(gauge, (ring,), (serial,) if serial else (), readings=len(digits), **more)
        )
        assert begun.reply.accepted, begun.reply
        for each in digits:
            self.show(each)
        return self.last(Kind.MASTERING)

    def check(self, digits: str, ring: str = "ring-1") -> Record:
        """Check the gauge on the ring; return what became of it."""
        gauge = next(iter(self.set_up.gauges))
        begun = self.do(ev.BeginCheck(gauge, ring, self.set_up.masters[ring].serial, readings=1))
        assert begun.reply.accepted, begun.reply
        self.show(digits)
        return self.last(Kind.CHECK)

    def ready(self) -> Hand:
        """Master and check on the ring with a gauge that shows 3 µm too much."""
        assert self.master("38.004", "38.004").code == "accepted"
        assert self.check("38.004").code == "passed"
        return self

    def last(self, kind: Kind) -> Record:
        """Return the latest record of a kind."""
        return next(record for record in reversed(self.records) if record.kind is kind)
