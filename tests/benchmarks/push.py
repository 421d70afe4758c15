"""How fast a backlog goes out as JSON over HTTP, against the same requests made by the standard library alone.

Run as a program, this file is the far side: a process of its own, as in a plant.
"""

from __future__ import annotations

import asyncio
import http.client
import json
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from gaugepost.contract import StationFacts
from gaugepost.core.publication import publish
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost_adapters.destinations.rest_push.destination import RestPush
from gaugepost_adapters.destinations.rest_push.settings import RestSettings
from tests.bench_tools.receiver import Receiver
from tests.benchmarks.figures import Figure, scratch
from tests.edge.readings import reading

BACKLOG, BATCH, ROUNDS = 20_000, 500, 3
WAYS: dict[str, dict[str, Any]] = {"": {}, ", gzip": {"gzip": True}, ", 50 a request": {"most_records": 50}}


def figures() -> Iterator[Figure]:
    """Deliver the whole backlog anew in each round, to a far side that takes all."""
    plain: list[tuple[float, float]] = []
    ours: dict[str, list[tuple[float, float]]] = {name: [] for name in WAYS}
    with scratch() as folder:
        with closing(Journal.open(folder / "journal.db", "bench 1")) as journal:
            for first in range(1, BACKLOG + 1, 1000):
                journal.append([reading(number) for number in range(first, first + 1000)])
        with closing(Reader(folder)) as reader:
            batch = [publish(entry, reader.epoch, reader.station) for entry in reader.entries(0, BATCH)]
            for at in range(ROUNDS):
                with far_side() as url:
                    plain.append(_taken(lambda: _plain(batch, url)))
                for name, settings in WAYS.items():
                    place = folder / f"{at}{name}"
                    place.mkdir()
                    with far_side() as url:
                        work = _drained(reader, place, RestSettings(url=url, **settings))
                        ours[name].append(_taken(lambda: asyncio.run(work)))  # noqa: B023
    against = "http.client, one body over and over"
    base, base_us = map(statistics.median, zip(*plain, strict=True))
    for name, runs in ours.items():
        rate, _ = map(statistics.median, zip(*runs, strict=True))
        yield Figure(f"records a second, {BACKLOG} waiting{name}", rate, "/s", base, against)
    for name, runs in ours.items():
        _, cost_us = map(statistics.median, zip(*runs, strict=True))
        yield Figure(f"processor's time for a record{name}", cost_us, "µs", base_us, against)


@contextmanager
def far_side(count: int | None = BACKLOG) -> Iterator[str]:
    """Run a far side that takes all for the time of the block; it holds `count` records at the end, None for any."""
    command = [sys.executable, "-m", "tests.benchmarks.push"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        yield process.stdout.readline().strip()
        said, _ = process.communicate()
    assert count is None or said.strip() == str(count), f"it holds {said} of {count} records"


def _taken(work: Callable[[], object]) -> tuple[float, float]:
    """Return records a second, and µs of this process's processor for one."""
    begun, used = time.perf_counter(), time.process_time()
    work()
    took, used = time.perf_counter() - begun, time.process_time() - used
    return BACKLOG / took, used / BACKLOG * 1e6


def _plain(batch: Sequence[Mapping[str, object]], url: str) -> None:
    """Send as many requests, ready made, with the standard library alone."""
    body = json.dumps({"station": "bench 1", "records": batch}, ensure_ascii=False).encode()
    with closing(http.client.HTTPConnection(urlsplit(url).netloc)) as connection:
        for at in range(BACKLOG // BATCH):
            connection.request("POST", "/records", body, {"Idempotency-Key": str(at)})
            with connection.getresponse() as answer:
                assert answer.status == 200
                answer.read()


async def _drained(reader: Reader, folder: Path, settings: RestSettings) -> None:
    """Deliver everything that the journal holds."""
    destination = RestPush(settings, StationFacts("bench 1", ZoneInfo("UTC"), folder))
    with closing(Cursors(folder / "deliveries.db", first_start=True)) as cursors:
        growth = Growth(BACKLOG)
        delivery = Delivery(
            "mes", destination, reader, cursors, growth, PUBLISHED_KINDS, kind="rest_push", utc_ms=lambda: 0
        )
        task = asyncio.create_task(delivery.run())
        assert await delivery.drain(600)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def _serve() -> None:
    with Receiver() as receiver:
        print(receiver.url, flush=True)
        sys.stdin.read()
        print(len(receiver.taken))


if __name__ == "__main__":
    _serve()
