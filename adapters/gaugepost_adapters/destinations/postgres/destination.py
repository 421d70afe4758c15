"""PostgreSQL: every record is a row, written by COPY and taken over by its id, so that a repeat doubles nothing.

The server answers for a transaction as a whole. What it refuses for its rows is halved until the refused record stands
alone; everything else is waited out (`answers`). What is taken, is taken in order.

The library is imported when it is first needed: a station file can be checked where it is not installed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

from gaugepost.contract import (
    AdapterSettings,
    Outcome,
    Publication,
    Refusal,
    StationFacts,
    Unreachable,
    sequence_of,
)
from gaugepost_adapters.destinations.postgres.settings import INSTALL, LIBRARY, PostgresSettings

if TYPE_CHECKING:
    from gaugepost_adapters.destinations.postgres.session import Session


class Postgres:
    """Destination of a PostgreSQL server."""

    Settings: ClassVar[type[AdapterSettings]] = PostgresSettings

    def __init__(self, settings: AdapterSettings, station: StationFacts) -> None:
        if not isinstance(settings, PostgresSettings):
            raise TypeError(f"settings of postgres are PostgresSettings, not {type(settings).__name__}")
        self._settings, self._station = settings, station
        self._session: Session | None = None
        self._is_open = False

    async def open(self) -> None:
        """Connect, and have the schema ready. Raises `Unreachable` where either can't be had, and says why."""
        self._is_open = True
        await self._begun()

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        """Have the server hold `batch`; done through the last record that it has taken or refused.

        Raises:
            Unreachable: that is none of them.
        """
        if not self._is_open:
            raise RuntimeError("postgres is not open")
        session = await self._begun()
        from gaugepost_adapters.destinations.postgres.answers import RowsRefused

        refused: list[Refusal] = []
        through: int | None = None
        waiting = [(0, len(batch))]
        while waiting:
            start, stop = waiting.pop()
            try:
                await session.put(batch[start:stop])
            except RowsRefused as answer:
                if stop - start > 1:
                    middle = (start + stop) // 2
                    waiting += [(middle, stop), (start, middle)]
                    continue
                refused.append(Refusal(str(batch[start]["id"]), str(answer)))
            except Unreachable:
                if through is None:
                    raise
                break
            through = sequence_of(batch[stop - 1])
        if through is None:
            raise AssertionError("a batch is never empty")
        return Outcome(through, tuple(refused))

    async def close(self) -> None:
        """Let the connection go; harmless when not open."""
        self._is_open = False
        session, self._session = self._session, None
        if session is not None:
            await session.close()

    async def reach(self) -> str:
        """Have the server let us in, and go again; the schema is not looked at. Raises `Unreachable`."""
        session = await asyncio.to_thread(_library)
        look = session(self._settings, self._station.data, self._station.name)
        await look.connect()
        await look.close()
        return self._settings.where

    async def _begun(self) -> Session:
        if self._session is not None:
            if not self._session.is_over:
                return self._session
            await self._session.close()
            self._session = None
        session = await asyncio.to_thread(_library)
        begun = session(self._settings, self._station.data, self._station.name)
        await begun.begin()
        self._session = begun
        return begun


def _library() -> type[Session]:
    """Return the class that needs the library. Raises `Unreachable` where that is missing."""
    try:
        from gaugepost_adapters.destinations.postgres.session import Session
    except ModuleNotFoundError as cause:
        if (cause.name or "").partition(".")[0] != LIBRARY:
            raise
        raise Unreachable(
            f"{LIBRARY} is not installed", hint=f"{INSTALL}; records are kept meanwhile"
        ) from cause
    except ImportError as cause:  # installed without the library of the database itself
        raise Unreachable(
            f"{LIBRARY} can't be used: {cause}", hint=f"{INSTALL}; records are kept meanwhile"
        ) from cause
    return Session
