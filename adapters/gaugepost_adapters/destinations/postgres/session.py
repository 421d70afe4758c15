"""One connection: made, made ready, and given rows. Every wait on it is bounded, on the server and here.

A server that is frozen, or gone without a word, answers no time-out of its own: then the connection's socket is shut
here, and whatever waited for it ends at once.
"""

from __future__ import annotations

import asyncio
import math
import os
import select
import socket
import ssl
import time
from collections.abc import Coroutine, Iterable, Sequence
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

import psycopg
import structlog
from psycopg import pq, sql

from gaugepost.contract import Publication, Unreachable
from gaugepost_adapters.destinations.password import password
from gaugepost_adapters.destinations.postgres import rows, schema
from gaugepost_adapters.destinations.postgres.answers import RowsRefused, judged, words
from gaugepost_adapters.destinations.postgres.ddl import KEY
from gaugepost_adapters.destinations.postgres.settings import PostgresSettings

GRACE_S = 5.0
"""How long the server may be silent beyond its own time-outs, and a transaction of ours be left to itself there."""
MONTH_LOCK_S = 2
"""How long making a month may make others wait."""
MONTH_AGAIN_S = 3600.0
"""After how long a month that could not be made is tried again; its rows wait for it in record_other."""
_BUNDLES = (
    "/etc/ssl/certs/ca-certificates.crt",
    "/etc/pki/tls/certs/ca-bundle.crt",
    "/etc/ssl/cert.pem",
)

T = TypeVar("T")


class Session:
    """A connection that takes rows. Raises `Unreachable` for whatever the server or the way to it does not do."""

    def __init__(self, settings: PostgresSettings, folder: Path, station: str) -> None:
        self._settings, self._folder, self._station = settings, folder, station
        self._log = structlog.get_logger().bind(server=settings.where)
        self._secrets: tuple[str, ...] = ()
        self._connection: psycopg.AsyncConnection[tuple[Any, ...]] | None = None
        self._limit_s = settings.statement_timeout_s + min(GRACE_S, settings.statement_timeout_s)
        self._upsert = _upsert(settings.database_schema).as_bytes(None)
        self._make_month = sql.SQL("SELECT {}(%s)").format(
            sql.Identifier(settings.database_schema, "make_month")
        )
        self._months: set[str] = set()
        self._month_again_s = 0.0
        self._ahead_s = 0.0
        """What the server's clock is ahead of time.monotonic(), in seconds since 1970."""

    @property
    def is_over(self) -> bool:
        """Whether nothing can be put any more.

        What the server says of its own accord is that it ends the connection, or that its settings have changed: a
        new one is better in any case, and what went while nobody looked is no outage.
        """
        connection = self._connection
        return connection is None or connection.closed or _has_news(connection.fileno())

    async def begin(self) -> None:
        """Connect, and have the schema ready."""
        await self.connect()
        try:
            await self._bounded(self._make_ready())
        except BaseException:
            await self.close()
            raise

    async def connect(self) -> None:
        """Connect, and ask nothing yet."""
        given = self._given()
        limit_s = self._settings.connect_timeout_s
        connecting = psycopg.AsyncConnection.connect(**given, autocommit=True)
        try:
            async with asyncio.timeout(limit_s):
                self._connection = await connecting
        except TimeoutError as cause:
            raise Unreachable(
                f"{self._settings.where} does not answer within {limit_s:g} s",
                hint="look whether the server runs there, and at the network",
            ) from cause
        except psycopg.Error as cause:
            raise self._means(cause) from cause

    async def put(self, batch: Sequence[Publication]) -> None:
        """Have the server hold all of `batch`, in one transaction. Raises `RowsRefused` where it is about the rows."""
        await self._bounded(self._put(batch))

    async def close(self) -> None:
        """Let the server go, without waiting for it."""
        connection, self._connection = self._connection, None
        if connection is not None:
            with suppress(psycopg.Error):
                await connection.close()

    async def _make_ready(self) -> None:
        connection = self._opened()
        s = self._settings
        session = {
            "statement_timeout": f"{s.statement_timeout_s * 1000:.0f}",
            "lock_timeout": f"{max(1, s.lock_timeout_s * 1000):.0f}",
            # What a station that vanished has begun holds its own rows locked against it.
            "idle_in_transaction_session_timeout": f"{GRACE_S * 1000:.0f}",
            "search_path": "pg_catalog, pg_temp",
            "TimeZone": "UTC",
            "DateStyle": "ISO, YMD",
            "default_transaction_isolation": "read committed",
        }
        for name, value in session.items():
            await connection.execute("SELECT set_config(%s, %s, false)", [name, value])
        cursor = await connection.execute(
            """SELECT pg_is_in_recovery() OR current_setting('transaction_read_only') = 'on',
                current_setting('server_encoding'), current_setting('fsync'), extract(epoch FROM now())::float8,
                CASE current_setting('synchronous_commit') WHEN 'off' THEN set_config('synchronous_commit', 'on', false)
                END"""
        )
        facts = await cursor.fetchone()
        if facts is None:
            raise AssertionError("a query without a table has one row")
        is_read_only, encoding, syncs, now_s, _ = facts
        if is_read_only:
            raise Unreachable(
                f"{s.where} takes no rows: it is a standby, or set to read-only",
                hint="write the host that takes rows, or wait until it is one; records are kept meanwhile",
            )
        if encoding != "UTF8":
            raise Unreachable(
                f"{s.where}: the database {s.database} is encoded in {encoding}, which has no room for every sign",
                hint="make one with ENCODING 'UTF8'; records are kept meanwhile",
            )
        if syncs != "on":
            self._log.warning("a power cut may take what the server has confirmed", write="fsync = on")
        self._ahead_s = now_s - time.monotonic()
        self._months = set(await schema.made_ready(connection, s))
        columns = ", ".join(f"{name} {told}" for name, told in rows.COLUMNS.items())
        await connection.execute(f"CREATE TEMP TABLE batch ({columns}) ON COMMIT DELETE ROWS".encode())

    async def _put(self, batch: Sequence[Publication]) -> None:
        await self._see_to_months(batch)
        connection, columns = self._opened(), rows.used(batch)
        async with connection.transaction(), connection.cursor() as cursor:
            async with cursor.copy(_copy(tuple(columns))) as copy:
                for text in rows.text_of(batch, columns):
                    await copy.write(text)
                    await asyncio.sleep(0)
            await cursor.execute(self._upsert)

    async def _see_to_months(self, batch: Sequence[Publication]) -> None:
        """Have the months of `batch` made, and this one and the next before anybody needs them.

        What can't be made now holds nothing up: `record_other` takes rows of any month, and gives them up later.
        """
        now = datetime.fromtimestamp(self._ahead_s + time.monotonic(), UTC)
        this, following = f"{now:%Y-%m}", f"{now.replace(day=1) + timedelta(days=32):%Y-%m}"
        named = {this, following} | {str(record["measured_at"])[:7] for record in batch}
        due = sorted(
            month for month in named if "2000-01" <= month <= following and _table(month) not in self._months
        )
        if not due or time.monotonic() < self._month_again_s:
            return
        connection = self._opened()
        for month in due:
            try:
                async with connection.transaction():
                    await connection.execute(
                        "SELECT set_config('lock_timeout', %s, true)", [f"{MONTH_LOCK_S}s"]
                    )
                    await connection.execute(self._make_month, [f"{month}-01"])
            except psycopg.Error as cause:
                if connection.closed:
                    raise
                self._month_again_s = time.monotonic() + MONTH_AGAIN_S
                said = words(cause, self._secrets)
                self._log.warning("a month has no table of its own yet", month=month, reason=said)
                return
            self._months.add(_table(month))

    async def _bounded(self, work: Coroutine[Any, Any, T]) -> T:
        """Await `work`, and cut the connection where it takes too long or is no longer wanted."""
        task = asyncio.ensure_future(work)
        try:
            done, _ = await asyncio.wait({task}, timeout=self._limit_s)
        except asyncio.CancelledError:
            self._cut()
            await asyncio.wait({task})
            with suppress(psycopg.Error, Unreachable, RowsRefused):
                task.result()
            raise
        if not done:
            self._cut()
            await asyncio.wait({task})
            # It may have been done after all in that moment; saying otherwise only sends it again.
            with suppress(psycopg.Error, Unreachable, RowsRefused):
                task.result()
            await self.close()
            raise Unreachable(
                f"{self._settings.where} is silent for {self._limit_s:g} s",
                hint="look at the server and the network; records are sent again",
            )
        try:
            return task.result()
        except psycopg.Error as cause:
            raise self._means(cause) from cause

    def _cut(self) -> None:
        """Shut the socket: what waits for the server hears that it is gone."""
        connection = self._connection
        if connection is None or connection.closed:
            return
        with suppress(OSError), socket.socket(fileno=os.dup(connection.fileno())) as held:
            held.shutdown(socket.SHUT_RDWR)

    def _means(self, cause: psycopg.Error) -> Exception:
        return judged(cause, self._settings, self._secrets)

    def _opened(self) -> psycopg.AsyncConnection[tuple[Any, ...]]:
        if self._connection is None:
            raise RuntimeError("the session was not begun")
        return self._connection

    def _given(self) -> dict[str, Any]:
        """Return what the library is given: everything, so that nothing is taken from environment or home folder."""
        s = self._settings
        secret = password(self._folder, s.password_file, s.password_env)
        self._secrets = (secret,) if secret else ()
        given: dict[str, Any] = {
            "host": s.host,
            "port": s.port,
            "dbname": s.database,
            "user": s.username,
            "password": secret or "",
            "passfile": str(self._folder / "none"),
            "application_name": f"gaugepost {self._station}"[:60],
            "client_encoding": "UTF8",
            "options": "",
            "connect_timeout": math.ceil(s.connect_timeout_s),
            "gssencmode": "disable",
            "target_session_attrs": "any",
            "keepalives": 1,
            "keepalives_idle": 30,
            "keepalives_interval": 10,
            "keepalives_count": 3,
            "sslmode": "verify-full" if s.tls else "disable",
        }
        modern = pq.version() >= 160_000
        if not s.tls:
            # Whoever stands in for the server could ask for the password in the clear.
            return given | ({"require_auth": "!password"} if modern and not s.is_this_computer else {})
        given |= {"sslrootcert": self._authorities(), "ssl_min_protocol_version": "TLSv1.2"}
        if s.client_certificate_file is not None:
            certificate = self._folder / s.client_certificate_file
            given |= {
                "sslcert": str(certificate),
                "sslkey": str(self._folder / (s.client_key_file or certificate)),
                "sslpassword": "none",  # without it the library would ask on the terminal, and the daemon would hang
            }
        elif modern:
            given["sslcertmode"] = "disable"
        return given

    def _authorities(self) -> str:
        if self._settings.ca_file is not None:
            path = self._folder / self._settings.ca_file
            try:
                path.open("rb").close()
            except OSError as cause:
                raise Unreachable(
                    f"{path}: {cause.strerror or cause}",
                    hint="put the certificate there as PEM, readable for the service's user",
                ) from cause
            return str(path)
        candidates = (ssl.get_default_verify_paths().cafile, *_BUNDLES)
        found = next((each for each in candidates if each and Path(each).is_file()), None)
        if found is None:
            raise Unreachable(
                "there are no certificates on this computer to hold the server's against",
                hint="write ca_file, or install the system's certificates (ca-certificates)",
            )
        return found


def _has_news(descriptor: int) -> bool:
    """Whether there is anything to be read, an end included."""
    poll = select.poll()
    poll.register(descriptor, select.POLLIN)
    return bool(poll.poll(0))


def _table(month: str) -> str:
    return f"record_{month.replace('-', '_')}"


@lru_cache(maxsize=64)  # put together for each batch it took as long as making the rows
def _copy(columns: tuple[str, ...]) -> bytes:
    """Return the statement that takes the batch's text."""
    into = sql.SQL("COPY pg_temp.batch ({}) FROM STDIN")
    return into.format(_listed(map(sql.Identifier, columns))).as_bytes(None)


def _upsert(schema_name: str) -> sql.Composed:
    """Return the statement that takes over the batch. A repeat changes nothing, and fills what was added since."""
    names = list(rows.COLUMNS)
    rest = [name for name in names if name not in KEY]
    return sql.SQL(
        "INSERT INTO {record} AS held ({names}) SELECT {names} FROM pg_temp.batch ORDER BY sequence "
        "ON CONFLICT ({key}) DO UPDATE SET {set} WHERE ({held}) IS DISTINCT FROM ({new})"
    ).format(
        record=sql.Identifier(schema_name, "record"),
        names=_listed(sql.Identifier(name) for name in names),
        key=_listed(sql.Identifier(name) for name in KEY),
        set=_listed(sql.SQL("{0} = excluded.{0}").format(sql.Identifier(name)) for name in rest),
        held=_listed(sql.Identifier("held", name) for name in rest),
        new=_listed(sql.Identifier("excluded", name) for name in rest),
    )


def _listed(parts: Iterable[sql.Composable]) -> sql.Composed:
    return sql.SQL(", ").join(parts)
