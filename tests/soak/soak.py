"""A station at work for hours with a fault every few seconds: what it costs, and whether all of it is there.

Gauges on pseudo-terminals, the real broker with a subscriber of its own, a receiver, a table and an inspection sheet.
"""

from __future__ import annotations

import contextlib
import os
import random
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path

from gaugepost.core.record import PUBLISHED_KINDS, Kind
from gaugepost.edge.journal import Reader, examine
from tests.bench_tools.accounts import STATUS, delivered
from tests.bench_tools.broker import Broker, Subscriber, until
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.receiver import Receiver
from tests.contract.workbook_bench import sheet

GAUGES = 8
LEAST_SAMPLES = 9
"""With fewer, each of them would decide."""
_PAGE = os.sysconf("SC_PAGE_SIZE")

DESTINATIONS = """
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
[destinations.mes]
kind = "rest_push"
url = "{url}"
[destinations.inspection]
kind = "workbook"
file = "sheets/{{lot}}.xlsx"
template = "sheet.xlsx"
pieces = "B5:B16"
[[destinations.inspection.fill]]
characteristic = "A"
value = "C5:C16"
"""


class Gauge:
    """A gauge that can be unplugged and plugged in again under the same name."""

    def __init__(self, device: Path) -> None:
        self.device, self.sent = device, 0
        self.unplugged = 0
        self._lock = threading.Lock()
        self._port = Port(device)

    def plug(self) -> None:
        """Be there."""
        with self._lock:
            self._port.plug()

    def unplug(self) -> None:
        """Be gone, with whatever was on the line."""
        with self._lock:
            self.unplugged += self._port.plugged
            self._port.unplug()

    def show(self) -> None:
        """Send the next value, no two alike, where the gauge is plugged in and its bytes are taken."""
        with self._lock:
            if self._port.plugged and self._port.room():
                self._port.send(f"{self.sent / 10_000:.4f} mm\r\n".encode())
                self.sent += 1


@dataclass
class Far:
    """What a far side has got: each record once, in order, whatever is repeated."""

    name: str
    seen: set[int] = field(default_factory=set)
    last: int = 0
    repeats: int = 0

    def got(self, sequence: int) -> None:
        """Count a record; one that is new must come after all that came before."""
        if sequence in self.seen:
            self.repeats += 1
            return
        assert sequence > self.last, f"{self.name} got {sequence} for the first time after {self.last}"
        self.seen.add(sequence)
        self.last = sequence


def pushed(receiver: Receiver) -> list[int]:
    """Return the sequences of all that was sent since the last call, as often as it was, and have it forgotten.

    What comes again under its old key is answered, and not taken a second time: `taken` lacks it.
    """
    with receiver._lock:
        requests, receiver.requests[:] = list(receiver.requests), []
        receiver.taken.clear()
        for key in list(receiver._known)[:-100]:
            del receiver._known[key]
    assert not receiver.mismatches, "other records came under an old key"
    return [sequence for request in requests for sequence in request.sequences]


@dataclass(frozen=True)
class Sample:
    """What the daemon holds on to at one moment."""

    at_s: float
    rss_mb: float
    descriptors: int
    threads: int


@dataclass
class Came:
    """What a soak came to."""

    seconds: float
    shown: int = 0
    records: int = 0
    readings: int = 0
    faults: dict[str, int] = field(default_factory=dict)
    lives: list[list[Sample]] = field(default_factory=lambda: [[]])
    """Samples of each process that the daemon was: another one has to warm up anew."""
    repeats: dict[str, int] = field(default_factory=dict)

    @property
    def samples(self) -> list[Sample]:
        """Samples of the process that lived longest."""
        return max(self.lives, key=len)

    def growth(self) -> tuple[float, int, int] | None:
        """MB, descriptors and threads that the end of the longest life has more than the time after its warm-up.

        Medians of thirds; None where none lived for `LEAST_SAMPLES`.
        """
        if len(self.samples) < LEAST_SAMPLES:
            return None
        whole = self.samples[len(self.samples) // 3 :]
        early, late = whole[: len(whole) // 3], whole[-(len(whole) // 3) :]
        return (
            statistics.median(s.rss_mb for s in late) - statistics.median(s.rss_mb for s in early),
            round(
                statistics.median(s.descriptors for s in late)
                - statistics.median(s.descriptors for s in early)
            ),
            round(statistics.median(s.threads for s in late) - statistics.median(s.threads for s in early)),
        )

    def told(self) -> str:
        """Say it in lines."""
        faults = ", ".join(f"{name} {count}" for name, count in sorted(self.faults.items()))
        return (
            f"{self.shown} values shown in {self.seconds:.0f} s, {self.shown / self.seconds:.0f} a second; "
            f"{self.readings} readings, {self.records} records, all accounted for everywhere\n"
            f"faults: {faults}; sent again: {self.repeats}\n"
            f"{self._grown()}"
        )

    def _grown(self) -> str:
        growth = self.growth()
        if growth is None:
            return "no process lived long enough to say what it grew by: take more --seconds"
        rss, descriptors, threads = growth
        first, last = self.samples[len(self.samples) // 3], self.samples[-1]
        return (
            f"memory {first.rss_mb:.1f} MB after the warm-up, {last.rss_mb:.1f} MB at the end, medians {rss:+.1f} MB; "
            f"descriptors {descriptors:+d}, threads {threads:+d}"
        )


class Soak:
    """One soak: `run` it once."""

    def __init__(self, folder: Path, seconds: float, rate: float, *, kills: bool, seed: int) -> None:
        self._folder, self._seconds, self._rate, self._kills = folder, seconds, rate, kills
        self._chance = random.Random(seed)
        self._came = Came(seconds)
        self._stop = threading.Event()
        self._fars = {name: Far(name) for name in ("broker", "mes")}

    def run(self, told: Callable[[str], None] = lambda line: None) -> Came:
        """Work, break and heal until the time is over, then hold the account; `AssertionError` where it fails."""
        (self._folder / "data").mkdir()
        sheet(self._folder / "data" / "sheet.xlsx")
        with ExitStack() as stack:
            enter = stack.enter_context
            broker = enter(Broker(self._folder))
            subscriber = enter(Subscriber(broker, "#", "-i", "subscriber", "-q", "0"))
            receiver = enter(Receiver())
            gauges = [Gauge(self._folder / f"gauge-{at}") for at in range(GAUGES)]
            for gauge in gauges:
                stack.callback(gauge.unplug)
            named = [_Named(str(gauge.device)) for gauge in gauges]
            text = station_file(named, extra=DESTINATIONS.format(broker=broker.port, url=receiver.url))  # type: ignore[arg-type]
            daemon = enter(Daemon(self._folder, text))
            with self._showing(gauges):
                self._break(daemon, broker, subscriber, receiver, gauges, told)
            self._came.shown = sum(gauge.sent for gauge in gauges)
            delivered(daemon, "sheet", "broker", "mes", "inspection")
            subscriber.settled()
            self._take(subscriber, receiver)
            daemon.stop()
            self._account(daemon, gauges)
        return self._came

    @contextlib.contextmanager
    def _showing(self, gauges: list[Gauge]) -> Iterator[None]:
        def show() -> None:
            begun, made = time.monotonic(), 0
            while not self._stop.is_set():
                due = int((time.monotonic() - begun) * self._rate)
                for number in range(made, due):
                    gauges[number % GAUGES].show()
                made = due
                self._stop.wait(0.01)

        thread = threading.Thread(target=show)
        thread.start()
        try:
            yield
        finally:
            self._stop.set()
            thread.join()

    def _break(
        self,
        daemon: Daemon,
        broker: Broker,
        subscriber: Subscriber,
        receiver: Receiver,
        gauges: list[Gauge],
        told: Callable[[str], None],
    ) -> None:
        outages = 0

        def broker_killed() -> None:
            nonlocal outages
            broker.kill()
            self._pause(0.5, 2)
            outages += 1
            broker.start("clientid_prefixes subscriber")  # nobody else yet: it would miss what they say
            until(lambda: subscriber.subscriptions == outages + 1, "the subscriber is back")
            broker.settle()

        def broker_frozen() -> None:
            with broker.frozen():
                self._pause(0.5, 2)

        def receiver_away() -> None:
            with receiver.cut_off():
                self._pause(0.5, 2)

        def unplugged() -> None:
            gauge = self._chance.choice(
                gauges[1:]
            )  # of the first nothing may be lost, however long it goes on
            gauge.unplug()
            self._pause(0.5, 2)
            gauge.plug()

        def killed() -> None:
            daemon.kill()
            self._pause(0.1, 1)
            daemon.start()
            self._came.lives.append([])

        faults: list[Callable[[], None]] = [broker_killed, broker_frozen, receiver_away, unplugged]
        if self._kills:
            faults.append(killed)
        begun = time.monotonic()
        shown, lots, pieces = begun, 0, 0
        while (passed := time.monotonic() - begun) < self._seconds:
            fault = self._chance.choice(faults)
            name = fault.__name__.replace("_", " ")
            self._came.faults[name] = self._came.faults.get(name, 0) + 1
            fault()
            lots += 1
            for _ in range(self._chance.randrange(2, 6)):
                pieces += 1
                tags = {"lot": f"L-{lots}", "piece": str(pieces % 12 + 1), "operator": "M2"}
                daemon.post("/tags", tags, "PUT")
                self._pause(0.5, 1)
                self._take(subscriber, receiver)
                self._came.lives[-1].append(_sample(daemon, passed))
            if time.monotonic() - shown > 60:
                shown = time.monotonic()
                last = self._came.lives[-1][-1]
                told(
                    f"{passed:6.0f} s  {last.rss_mb:.1f} MB, {last.descriptors} descriptors, {last.threads} threads"
                )

    def _pause(self, least: float, most: float) -> None:
        threading.Event().wait(self._chance.uniform(least, most))

    def _take(self, subscriber: Subscriber, receiver: Receiver) -> None:
        """Count what has come, and forget it: hours of it would not fit in memory."""
        heard = subscriber.heard[:-1]
        del subscriber.heard[: len(heard)]
        for each in heard:
            if each.topic not in (STATUS, "marker"):
                self._fars["broker"].got(each.json["sequence"])
        for sequence in pushed(receiver):
            self._fars["mes"].got(sequence)

    def _account(self, daemon: Daemon, gauges: list[Gauge]) -> None:
        """Hold journal, far sides and file against what was shown."""
        assert examine(daemon.journal).sound
        wanted, digits = set[int](), dict[str, list[float]]()
        with closing(Reader(daemon.journal)) as reader:
            for entry in reader.replay():
                self._came.records += 1
                if entry.record.kind in PUBLISHED_KINDS:
                    wanted.add(entry.sequence)
                if entry.record.kind is Kind.READING:
                    self._came.readings += 1
                    digits.setdefault(entry.record.gauge or "", []).append(
                        float(entry.record.indication or "nan")
                    )
            epoch = reader.epoch
        for at, gauge in enumerate(gauges):
            numbers = [round(value * 10_000) for value in digits.get(f"g{at}", [])]
            assert numbers == sorted(set(numbers)), f"gauge {at}: doubled or out of order"
            assert set(numbers) <= set(range(gauge.sent)), f"gauge {at}: invented"
            if not gauge.unplugged and not self._came.faults.get("killed"):
                assert len(numbers) == gauge.sent, f"gauge {at}: {gauge.sent - len(numbers)} were lost"
        rows = [row["id"] for row in daemon.rows()]
        assert rows == [f"{epoch}-{sequence}" for sequence in sorted(wanted)], "the table's rows"
        for far in self._fars.values():
            assert far.seen == wanted, (
                f"{far.name}: {len(wanted - far.seen)} missing, {len(far.seen - wanted)} invented"
            )
            self._came.repeats[far.name] = far.repeats


@dataclass(frozen=True)
class _Named:
    """A port by its lasting name."""

    path: str


def _sample(daemon: Daemon, at_s: float) -> Sample:
    assert daemon.process is not None
    own = Path(f"/proc/{daemon.process.pid}")
    return Sample(
        at_s,
        int((own / "statm").read_text().split()[1]) * _PAGE / 1e6,
        len(list((own / "fd").iterdir())),
        len(list((own / "task").iterdir())),
    )
