"""The schema at a real server: made, brought up to date, or said what is wrong with it and what to do."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from gaugepost.contract import Outcome, Unreachable
from gaugepost.contract.kit.destinations import samples
from gaugepost_adapters.destinations.postgres import ddl
from tests.bench_tools.postgres import OWNER
from tests.contract.postgres_bench import Store, server as server, store as store

pytestmark = pytest.mark.asyncio

GRANTS = """
GRANT USAGE ON SCHEMA {} TO clerk;
GRANT SELECT, INSERT, UPDATE ON {}.record TO clerk;
GRANT SELECT ON {}.layout TO clerk;
GRANT USAGE ON SEQUENCE {}.arrival TO clerk;
GRANT EXECUTE ON FUNCTION {}.make_month(date) TO clerk;
"""
"""What deploy/postgres.md says that a station needs where others make the schema."""


@pytest.fixture
def clerk(store: Store) -> str:
    """A user who may make nothing."""
    store.ask("DO $$ BEGIN CREATE ROLE clerk LOGIN; EXCEPTION WHEN duplicate_object THEN NULL; END $$")
    return "clerk"


async def why_not(store: Store, **settings: object) -> str:
    """Return why a destination does not open."""
    destination = store.make(**settings)  # type: ignore[arg-type]
    try:
        with pytest.raises(Unreachable) as caught:
            await destination.open()
    finally:
        await destination.close()
    assert caught.value.hint.endswith("records are kept meanwhile")
    return str(caught.value)


def printed(store: Store) -> str:
    """Return what the command prints that makes the schema by hand."""
    command = [sys.executable, "-m", "gaugepost_adapters.destinations.postgres", store.schema]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


async def test_made_by_hand_it_takes_rows_of_who_may_make_nothing(store: Store, clerk: str) -> None:
    """What the command prints, and the rights that the page names, are enough; it may be run again at any time."""
    assert f"there is no table {store.schema}.record" in await why_not(store, username=clerk, create=False)
    for _ in range(2):
        store.ask(printed(store))
    assert "permission denied" in await _said(store, clerk)
    store.ask(GRANTS)
    async with store.opened(username=clerk, create=False) as postgres:
        assert await postgres.deliver(samples(1, 20), "key") == Outcome(20)
    assert store.ask("SELECT count(*) FROM {}.record_2023_11") == [(20,)], "its month was made for it"
    async with store.opened(username=clerk, create=True) as postgres:
        assert await postgres.deliver(samples(21, 1), "key") == Outcome(21)


async def _said(store: Store, user: str) -> str:
    destination = store.make(username=user, create=False)
    with pytest.raises(Unreachable) as caught:
        await destination.open()
    await destination.close()
    return str(caught.value)


async def test_made_by_hand_and_by_a_station_it_is_the_same(store: Store) -> None:
    """Nobody can tell afterwards which of the two made it."""
    by_hand = Store(store.server)
    by_hand.ask(printed(by_hand))
    async with store.opened():
        pass

    def dumped(which: Store) -> list[str]:
        text = store.server.run(
            "pg_dump", "-h", str(store.server.folder), "-p", str(store.server.port), "-U", OWNER, "--schema-only",
            "--no-owner", "--schema", which.schema, "quality",
        )  # fmt: skip
        lines = text.replace(which.schema, "S").splitlines()
        # The months are made by the first station that comes.
        return [line for line in lines if line and not re.search(r"^--|_20\d\d_\d\d|^\\|REVOKE|GRANT", line)]

    made = dumped(by_hand)
    assert len(made) > 300
    assert [line for line in dumped(store) if line in set(made)] == made


async def test_a_newer_program_adds_the_columns_it_needs(store: Store) -> None:
    """A table of an older program gets what it lacks, with the views; rows of both stay."""
    async with store.opened() as postgres:
        await postgres.deliver(samples(1, 3), "key")
        store.ask("ALTER TABLE {}.record DROP COLUMN uncertainty_mm CASCADE")
    message = await why_not(store, create=False)
    assert f"{store.schema}.record lacks uncertainty_mm" in message
    assert f'ALTER TABLE "{store.schema}".record ADD COLUMN IF NOT EXISTS uncertainty_mm numeric;' in message
    async with store.opened() as postgres:
        await postgres.deliver([{**record, "uncertainty_mm": "0.0012"} for record in samples(1, 5)], "key")
        await postgres.deliver(samples(6, 1), "key")
    assert store.ask("SELECT id, uncertainty_mm::text FROM {}.standing WHERE uncertainty_mm IS NOT NULL") == [
        (record["id"], "0.0012") for record in samples(1, 5)
    ], "a repeat fills what the table had no column for"


async def test_an_older_program_writes_beside_a_newer_one(store: Store) -> None:
    """Columns that this program does not know, its own or the plant's, are left alone and stay empty."""
    async with store.opened() as postgres:
        store.ask("ALTER TABLE {}.record ADD COLUMN shift text")
        await postgres.deliver(samples(1, 3), "key")
        store.ask("UPDATE {}.record SET shift = 'early'")
        await postgres.deliver(samples(1, 3), "key")
    assert store.ask("SELECT shift FROM {}.record") == [("early",)] * 3


async def test_a_schema_of_a_newer_layout_is_left_alone(store: Store) -> None:
    """A program that is too old for a schema says so and changes nothing in it."""
    async with store.opened():
        store.ask("INSERT INTO {}.layout VALUES (%s, 7)", ddl.LAYOUT + 1)
        store.ask("DROP VIEW {}.checks")
    message = await why_not(store)
    assert "was made by a newer program (layout 2, this one knows 1)" in message
    assert "update gaugepost" in message
    assert store.ask("SELECT to_regclass('{}.checks')") == [(None,)]


async def test_a_view_that_is_gone_is_made_again(store: Store) -> None:
    """Whoever drops a view gets it back with the next connection."""
    async with store.opened():
        store.ask("DROP VIEW {}.spc_subgroups")
    async with store.opened():
        assert store.ask("SELECT * FROM {}.spc_subgroups") == []


WRONG: dict[str, tuple[str, tuple[str, ...]]] = {
    "a table of somebody else": (
        "CREATE SCHEMA {}; CREATE TABLE {}.record (id text); GRANT USAGE ON SCHEMA {} TO bench",
        ("record that no station made", "write another database_schema"),
    ),
    "floats instead of exact numbers": (
        """DROP VIEW {}.standing, {}.lineage, {}.doubts, {}.original, {}.checks CASCADE;
        ALTER TABLE {}.record ALTER value TYPE float8, ALTER raw TYPE text""",
        ("record has value as double precision instead of numeric, raw as text instead of bytea",),
    ),
    "a column that nobody fills": (
        "ALTER TABLE {}.record ADD COLUMN shift text NOT NULL",
        ("demands shift, which no station fills", "ALTER COLUMN shift DROP NOT NULL"),
    ),
    "no key": ("ALTER TABLE {}.record DROP CONSTRAINT record_pkey", ("has no key (id, measured_at)",)),
    "no rest": (
        "DROP TABLE {}.record_other",
        ("is not partitioned by measured_at, with a table for all other",),
    ),
    "a rest that a crash empties": (
        "ALTER TABLE {}.record_other SET UNLOGGED",
        ("a crash would empty", "SET LOGGED"),
    ),
    "no right to change": (
        """REVOKE UPDATE ON {}.record FROM bench; ALTER TABLE {}.record OWNER TO plant;
        GRANT SELECT, INSERT ON {}.record TO bench""",
        ("bench may not UPDATE in", 'TO "bench"'),
    ),
}


@pytest.mark.parametrize("what", WRONG)
async def test_a_schema_that_can_not_be_written_to_is_named_with_what_to_do(what: str, store: Store) -> None:
    """Before the first row is sent: what is wrong with it, and what its owner has to do."""
    broken, words = WRONG[what]
    if "CREATE SCHEMA" not in broken:
        async with store.opened():
            pass
    store.ask(broken)
    message = await why_not(store)
    for each in words:
        assert each in message


async def test_a_database_that_has_no_room_for_every_sign_is_named(store: Store) -> None:
    """In an encoding without µ or °, rows would be refused one by one: it is said once, before any is sent."""
    store.ask("CREATE DATABASE latin ENCODING 'LATIN1' LOCALE 'C' TEMPLATE template0")
    try:
        assert "latin is encoded in LATIN1" in await why_not(store, database="latin")
    finally:
        store.ask("DROP DATABASE latin")
