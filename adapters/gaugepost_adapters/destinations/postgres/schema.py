"""The schema before anything is written to it: looked at, made or brought up to date, or said what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from psycopg import AsyncConnection, sql

from gaugepost.contract import Unreachable
from gaugepost_adapters.destinations.postgres import ddl
from gaugepost_adapters.destinations.postgres.rows import COLUMNS, NEVER_NULL
from gaugepost_adapters.destinations.postgres.settings import PostgresSettings

BY_HAND = "python -m gaugepost_adapters.destinations.postgres {schema}"
"""What prints the statements that make a schema."""
OLDEST = 14
"""Oldest server: its months are attached without stopping others (12), and the views need its multiranges (14)."""

Connection = AsyncConnection[tuple[Any, ...]]

_OWN = frozenset({"arrival", "arrived_at"})
_RIGHTS = ("SELECT", "INSERT", "UPDATE")


@dataclass(frozen=True, slots=True)
class Look:
    """What there is in the schema."""

    columns: dict[str, tuple[str, bool]] = field(default_factory=dict)
    """Type of each column of the table, and whether it must be filled by whoever writes; empty where there is none."""
    layout: int | None = None
    views: int = 0
    """Number of the views, 0 where one of them is missing."""
    is_partitioned: bool = False
    """Whether it is by measured_at, with a table for what has no month."""
    unlogged: tuple[str, ...] = ()
    """Names of the tables below it that a crash would empty."""
    has_key: bool = False
    rights: tuple[str, ...] = ()
    months: frozenset[str] = frozenset()
    """Names of the months' tables."""

    @property
    def missing(self) -> list[str]:
        """Columns that this program fills and the table has not."""
        return [name for name in COLUMNS if name not in self.columns]


async def made_ready(connection: Connection, settings: PostgresSettings) -> frozenset[str]:
    """Have the schema ready to take rows; return the names of the months that have a table.

    Raises:
        Unreachable: it is not ready, with what to do.
        psycopg.Error: the server does not let this user look or make it.
    """
    if connection.info.server_version < OLDEST * 10_000:
        raise _unready(
            settings,
            f"the server is version {connection.info.server_version // 10_000}",
            f"use one of version {OLDEST} or newer",
        )
    look = await _look(connection, settings.database_schema)
    _known(look, settings)
    if settings.create and (look.layout is None or look.missing or look.views < ddl.VIEWS):
        async with connection.transaction():
            await _make(connection, settings)
        look = await _look(connection, settings.database_schema)
    for finding, hint in _complaints(look, settings):
        raise _unready(settings, finding, hint)
    return look.months


async def _make(connection: Connection, settings: PostgresSettings) -> None:
    """Make what is missing; several stations may come at the same time."""
    schema = settings.database_schema
    await connection.execute("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", [ddl.lock(schema)])
    look = await _look(connection, schema)
    _known(look, settings)
    statements = [ddl.tables(schema)] if look.layout is None else []
    if look.columns:
        statements += [ddl.column(schema, name) for name in look.missing if name not in NEVER_NULL]
    if look.views < ddl.VIEWS:
        statements.append(ddl.views(schema))
    for statement in statements:
        await connection.execute(statement.encode())


async def _look(connection: Connection, schema: str) -> Look:
    table = await _one(
        connection,
        """SELECT c.oid, coalesce(pg_get_partkeydef(c.oid) = 'RANGE (measured_at)' AND p.partdefid <> 0, false),
            EXISTS (SELECT FROM pg_index i WHERE i.indrelid = c.oid AND i.indisunique AND i.indpred IS NULL
                AND pg_get_indexdef(i.indexrelid) LIKE '%%(id, measured_at)')
        FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
        LEFT JOIN pg_partitioned_table p ON p.partrelid = c.oid
        WHERE n.nspname = %s AND c.relname = 'record'""",
        [schema],
    )
    number, made = await _layout(connection, schema)
    if table is None:
        return Look(layout=number)
    oid, is_partitioned, has_key = table
    columns = await _all(
        connection,
        """SELECT attname, format_type(atttypid, atttypmod), attnotnull AND NOT atthasdef AND attidentity = ''
        FROM pg_attribute WHERE attrelid = %s AND attnum > 0 AND NOT attisdropped""",
        [oid],
    )
    rights = await _all(
        connection,
        "SELECT name FROM unnest(%s::text[]) name WHERE has_table_privilege(%s::oid, name)",
        [list(_RIGHTS), oid],
    )
    months = await _all(
        connection,
        """SELECT c.relname, c.relpersistence FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid
        WHERE i.inhparent = %s ORDER BY c.relname""",
        [oid],
    )
    return Look(
        columns={name: (told, must) for name, told, must in columns},
        layout=number,
        views=made,
        is_partitioned=is_partitioned,
        unlogged=tuple(name for name, persistence in months if persistence != "p"),
        has_key=has_key,
        rights=tuple(name for (name,) in rights),
        months=frozenset(name for name, _ in months),
    )


async def _layout(connection: Connection, schema: str) -> tuple[int | None, int]:
    found = await _one(
        connection,
        """SELECT has_table_privilege(c.oid, 'SELECT'), (SELECT count(*) FROM pg_class v
            WHERE v.relnamespace = n.oid AND v.relkind = 'v' AND v.relname = ANY(%s))
        FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
        WHERE n.nspname = %s AND c.relname = 'layout'""",
        [list(ddl.NAMES), schema],
    )
    if found is None:
        return None, 0
    asked = sql.SQL("SELECT max(number), max(views) FROM {}").format(sql.Identifier(schema, "layout"))
    row = await (await connection.execute(asked)).fetchone()
    if row is None or row[0] is None:
        return None, 0
    return row[0], row[1] if found[1] == len(ddl.NAMES) else 0


def _known(look: Look, settings: PostgresSettings) -> None:
    """Leave alone what this program does not know. Raises `Unreachable`."""
    schema = settings.database_schema
    if look.layout is not None and look.layout > ddl.LAYOUT:
        raise _unready(
            settings,
            f"the schema {schema} was made by a newer program (layout {look.layout}, this one knows {ddl.LAYOUT})",
            "update gaugepost at this station, or write another database_schema",
        )
    if look.columns and look.layout is None:
        raise _unready(
            settings,
            f"there is a table {schema}.record that no station made",
            "write another database_schema, or move that table away",
        )
    other = [
        f"{name} as {look.columns[name][0]} instead of {told}"
        for name, told in COLUMNS.items()
        if name in look.columns and look.columns[name][0] != told
    ]
    if other:
        raise _unready(
            settings,
            f"{schema}.record has {_listed(other)}",
            "have its owner change that (ALTER TABLE … ALTER COLUMN … TYPE …), or write another database_schema",
        )


def _complaints(look: Look, settings: PostgresSettings) -> Iterator[tuple[str, str]]:
    """Yield what is wrong, and what to do about it."""
    schema = settings.database_schema
    table, by_hand = f"{schema}.record", BY_HAND.format(schema=schema)
    if not look.columns or look.layout is None:
        yield (
            f"there is no table {table}",
            f"have the database's owner run what {by_hand} prints, or write create = true",
        )
        return
    if look.missing:
        what = "; ".join(ddl.column(schema, name) for name in look.missing)
        yield (
            f"{table} lacks {_listed(look.missing)}",
            f"have its owner run: {what}" if len(what) < 400 else f"compare it with what {by_hand} prints",
        )
    strange = [name for name, (_, must) in look.columns.items() if must and name not in COLUMNS]
    if strange := [name for name in strange if name not in _OWN]:
        yield (
            f"{table} demands {_listed(strange)}, which no station fills",
            f"have its owner run: ALTER TABLE {table} ALTER COLUMN {strange[0]} DROP NOT NULL",
        )
    if not look.has_key:
        yield f"{table} has no key (id, measured_at)", f"compare it with what {by_hand} prints"
    if not look.is_partitioned:
        yield (
            f"{table} is not partitioned by measured_at, with a table for all other times",
            f"compare it with what {by_hand} prints",
        )
    for name in look.unlogged:
        yield (
            f"a crash would empty {schema}.{name}",
            f"have its owner run: ALTER TABLE {schema}.{name} SET LOGGED",
        )
    if lacking := [name for name in _RIGHTS if name not in look.rights]:
        yield (
            f"{settings.username} may not {_listed(lacking)} in {table}",
            f'have its owner run: GRANT {", ".join(_RIGHTS)} ON {table} TO "{settings.username}"',
        )


def _listed(names: list[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def _unready(settings: PostgresSettings, finding: str, hint: str) -> Unreachable:
    return Unreachable(f"{settings.where}: {finding}", hint=f"{hint}; records are kept meanwhile")


async def _all(connection: Connection, query: str, given: list[Any]) -> list[tuple[Any, ...]]:
    cursor = await connection.execute(query.encode(), given)
    return await cursor.fetchall()


async def _one(connection: Connection, query: str, given: list[Any]) -> tuple[Any, ...] | None:
    return next(iter(await _all(connection, query, given)), None)
