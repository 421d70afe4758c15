"""What tests of postgres share: a server for a file of tests, a schema of its own for each, destinations for it."""

from __future__ import annotations

import itertools
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from gaugepost.contract import StationFacts
from gaugepost_adapters.destinations.postgres.destination import Postgres
from gaugepost_adapters.destinations.postgres.settings import PostgresSettings
from tests.bench_tools.postgres import Server

_NUMBERS = itertools.count(1)


class Store:
    """A schema of its own on a server."""

    def __init__(self, server: Server) -> None:
        self.server = server
        self.schema = f"plant_{next(_NUMBERS)}"

    def make(self, folder: Path = Path(), station: str = "bench 1", **settings: Any) -> Postgres:
        """Return a destination for it."""
        given = {
            "host": "127.0.0.1",
            "port": self.server.port,
            "database": "quality",
            "username": "bench",
            "database_schema": self.schema,
            **settings,
        }
        return Postgres(PostgresSettings(**given), StationFacts(station, ZoneInfo("UTC"), folder))

    @asynccontextmanager
    async def opened(self, **settings: Any) -> AsyncIterator[Postgres]:
        """Return an open destination for it."""
        destination = self.make(**settings)
        await destination.open()
        try:
            yield destination
        finally:
            await destination.close()

    def ids(self) -> list[str]:
        """Ids in the order in which they came."""
        return [row[0] for row in self.ask("SELECT id FROM {}.record ORDER BY arrival")]

    def ask(self, query: str, *given: object) -> list[tuple[Any, ...]]:
        """Return a query's rows; {} stands for the schema."""
        return self.server.ask(query.replace("{}", f'"{self.schema}"'), *given)


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """One server for the tests of a file."""
    with Server() as running:
        yield running


@pytest.fixture
def store(server: Server) -> Store:
    """A schema of its own."""
    return Store(server)
