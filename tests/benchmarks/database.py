"""How fast rows go to PostgreSQL, against the server's bare COPY of the same rows into a table without keys."""

from __future__ import annotations

import asyncio
import statistics
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from psycopg import sql

from gaugepost.contract import Publication, StationFacts
from gaugepost.core.publication import publish
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost_adapters.destinations.postgres import rows
from gaugepost_adapters.destinations.postgres.destination import Postgres
from gaugepost_adapters.destinations.postgres.settings import PostgresSettings
from tests.bench_tools.postgres import Server
from tests.benchmarks.figures import Figure, scratch
from tests.edge.readings import reading

BACKLOG, BATCHES, ROUNDS, GOAL = 60_000, (500, 10_000), 3, 20_000
ROOMY = ("shared_buffers = 256MB", "max_wal_size = 1GB")
QUESTIONS = {
    "last 20 results of a gauge": "SELECT * FROM {}.standing WHERE gauge = 'bore-1' ORDER BY measured_at DESC LIMIT 20",
    "a lot's subgroups": "SELECT * FROM {}.spc_subgroups WHERE lot = 'L700'",
    "the suspect list": "SELECT * FROM {}.suspect_list",
}


def figures() -> Iterator[Figure]:
    """Send the same readings anew in each round, to a schema of its own."""
    with Server(ROOMY) as server, scratch() as folder:
        with closing(Journal.open(folder / "journal.db", "bench 1")) as journal:
            for first in range(1, BACKLOG + 1, 1000):
                journal.append([reading(number) for number in range(first, first + 1000)])
        with closing(Reader(folder)) as reader:
            told = [publish(entry, reader.epoch, reader.station) for entry in reader.entries(0, BACKLOG)]
            taken: dict[str, list[float]] = {}
            for at in range(ROUNDS):
                taken.setdefault("bare", []).append(_bare(server, told))
                for size in BATCHES:
                    work = _sent(_destination(server, f"s{size}_{at}"), told, size)
                    taken.setdefault(str(size), []).append(asyncio.run(work))
                place = folder / str(at)
                place.mkdir()
                drained = asyncio.run(_drained(reader, place, _destination(server, f"drained_{at}")))
                taken.setdefault("drained", []).append(drained)
        yield from _rates(taken)
        yield from _questions(server, "drained_0")


def _rates(taken: dict[str, list[float]]) -> Iterator[Figure]:
    rate = {name: BACKLOG / statistics.median(times) for name, times in taken.items()}
    for size in BATCHES:
        yield Figure(f"rows a second, {size} a batch", rate[str(size)], "/s", rate["bare"], "the bare COPY")
    yield Figure(
        f"rows a second, {BACKLOG} waiting in the journal", rate["drained"], "/s", rate["bare"], "the bare COPY",
        f"at least {GOAL}/s", rate["drained"] >= GOAL,
    )  # fmt: skip


def _questions(server: Server, schema: str) -> Iterator[Figure]:
    with server.connected() as person:
        person.execute("ANALYZE")
        for what, question in QUESTIONS.items():
            asked = sql.SQL(question).format(sql.Identifier(schema))
            times = []
            for _ in range(ROUNDS):
                begun = time.perf_counter()
                person.execute(asked).fetchall()
                times.append(time.perf_counter() - begun)
            yield Figure(f"{what}, {BACKLOG} rows", statistics.median(times) * 1e3, "ms", 0, "nothing")


def _destination(server: Server, schema: str) -> Postgres:
    settings = PostgresSettings(
        host="127.0.0.1", port=server.port, database="quality", username="bench", database_schema=schema
    )
    return Postgres(settings, StationFacts("bench 1", ZoneInfo("UTC"), Path()))


def _bare(server: Server, told: Sequence[Publication]) -> float:
    names = rows.used(told)
    columns = sql.SQL(", ").join(sql.SQL(f"{name} {rows.COLUMNS[name]}") for name in names)
    with server.connected(user="plant") as person:
        person.execute(sql.SQL("DROP TABLE IF EXISTS bare; CREATE TABLE bare ({})").format(columns))
        begun = time.perf_counter()
        with person.cursor() as cursor, cursor.copy("COPY bare FROM STDIN") as copy:
            for text in rows.text_of(told, names):
                copy.write(text)
        return time.perf_counter() - begun


async def _sent(destination: Postgres, told: Sequence[Publication], size: int) -> float:
    await destination.open()
    try:
        begun = time.perf_counter()
        for first in range(0, len(told), size):
            batch = told[first : first + size]
            outcome = await destination.deliver(batch, "key")
            if outcome.through != batch[-1]["sequence"] or outcome.refused:
                raise AssertionError("not everything was taken")
        return time.perf_counter() - begun
    finally:
        await destination.close()


async def _drained(reader: Reader, place: Path, destination: Postgres) -> float:
    """Return how long a delivery takes from the journal's beginning to its end, opening included."""
    with closing(Cursors(place / "deliveries.db", first_start=True)) as cursors:
        growth = Growth(reader.head()[0])
        delivery = Delivery(
            "plant", destination, reader, cursors, growth, PUBLISHED_KINDS, kind="postgres", utc_ms=lambda: 0
        )
        begun = time.perf_counter()
        task = asyncio.create_task(delivery.run())
        if not await delivery.drain(600):
            raise AssertionError("the backlog did not drain")
        taken = time.perf_counter() - begun
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
    return taken
