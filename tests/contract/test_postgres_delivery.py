"""Rows on their way to a real server: refusals, months, several stations, and whatever else servers answer."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from psycopg import sql

from gaugepost.contract import Outcome, Publication, Unreachable
from gaugepost.contract.kit.destinations import EPOCH, samples
from tests.bench_tools.postgres import until
from tests.bench_tools.proxy import Cut, OneWay, Proxy
from tests.contract.postgres_bench import Store, server as server, store as store

pytestmark = pytest.mark.asyncio

OTHER = "0b9ad0d5-5c6e-4f0f-9d51-8a3f3a2f7c12"
"""Another journal's epoch."""


def moved(batch: Sequence[Publication], epoch: str = EPOCH, **changes: object) -> list[Publication]:
    """Return records of another epoch, with changes."""
    return [{**record, "id": f"{epoch}-{record['sequence']}", **changes} for record in batch]


def ids(first: int, count: int, epoch: str = EPOCH) -> list[str]:
    return [f"{epoch}-{sequence}" for sequence in range(first, first + count)]


async def test_a_refused_row_is_found_and_the_rest_is_taken(store: Store) -> None:
    """Rows that the plant's own rules or the server's types refuse are named with the answer; all others are held."""
    async with store.opened() as postgres:
        store.ask("ALTER TABLE {}.record ADD CONSTRAINT no_seventeen CHECK (sequence % 17 <> 0)")
        batch = [*samples(1, 59), {**samples(60, 1)[0], "text": "nul\0"}]
        outcome = await postgres.deliver(batch, "key")
    assert outcome.through == 60
    assert [refusal.id for refusal in outcome.refused] == [f"{EPOCH}-{n}" for n in (17, 34, 51, 60)]
    assert "no_seventeen" in outcome.refused[0].answer
    assert "(23514)" in outcome.refused[0].answer
    assert "(22021)" in outcome.refused[3].answer
    assert store.ids() == [each for each in ids(1, 59) if int(each.split("-")[-1]) % 17]


async def test_refused_rows_can_be_handed_over_again(store: Store) -> None:
    """What was refused is taken later, after newer ones, in a batch of its own."""
    async with store.opened() as postgres:
        store.ask("ALTER TABLE {}.record ADD CONSTRAINT no_three CHECK (sequence <> 3)")
        assert len((await postgres.deliver(samples(1, 9), "key")).refused) == 1
        store.ask("ALTER TABLE {}.record DROP CONSTRAINT no_three")
        assert await postgres.deliver(samples(3, 1), "again-1") == Outcome(3)
    assert sorted(store.ids()) == sorted(ids(1, 9))


async def test_a_repeat_writes_nothing_and_mends_what_was_changed(store: Store) -> None:
    """A batch that comes twice changes no row; one that somebody edited is as it was published afterwards."""
    async with store.opened() as postgres:
        await postgres.deliver(samples(1, 50), "key")
        before = store.ask("SELECT xmin, ctid, arrival FROM {}.record ORDER BY arrival")
        await postgres.deliver(samples(1, 50), "key")
        assert store.ask("SELECT xmin, ctid, arrival FROM {}.record ORDER BY arrival") == before
        store.ask("UPDATE {}.record SET value = 1, lot = NULL WHERE sequence = 5")
        await postgres.deliver(samples(1, 50), "key")
    told = samples(5, 1)[0]
    assert store.ask("SELECT value::text, coalesce(lot, '') FROM {}.record WHERE sequence = 5") == [
        (told["value"], told.get("lot", ""))
    ]


async def test_each_month_has_a_table_and_odd_times_have_one_too(store: Store) -> None:
    """Records go to their month's table, made when it is needed; this month's and the next one's are there before."""
    odd = ("1970-01-01T00:00:00.000Z", "2399-12-31T23:59:59.999Z")
    ends = (
        "2024-01-31T23:59:59.999Z",
        "2024-02-01T00:00:00.000Z",
        "2024-02-29T23:59:59.999Z",
        "2024-03-01T00:00:00.000Z",
    )
    batch = [{**record, "measured_at": at} for record, at in zip(samples(1, 6), (*odd, *ends), strict=True)]
    async with store.opened() as postgres:
        await postgres.deliver(batch, "key")
    found = store.ask("SELECT sequence, tableoid::regclass::text FROM {}.record ORDER BY sequence")
    assert [name.partition(".")[2] for _, name in found] == [
        "record_other", "record_other", "record_2024_01", "record_2024_02", "record_2024_02", "record_2024_03",
    ]  # fmt: skip
    ((this, following),) = store.ask(
        """SELECT to_regclass('{}.record_' || to_char(now() AT TIME ZONE 'UTC', 'YYYY_MM')),
        to_regclass('{}.record_' || to_char(date_trunc('month', now() AT TIME ZONE 'UTC') + '1 month', 'YYYY_MM'))"""
    )
    assert this
    assert following


@pytest.mark.attack
async def test_a_month_that_can_not_be_made_holds_nothing_up(store: Store) -> None:
    """While somebody holds the table's rest locked, rows wait there; the month takes them when it is made."""
    async with store.opened() as postgres:
        await postgres.deliver(samples(1, 1), "key")
    with store.server.connected() as reader:
        reader.autocommit = False
        reader.execute(sql.SQL("TABLE {}").format(sql.Identifier(store.schema, "record_other")))
        async with store.opened() as postgres:
            batch = [{**record, "measured_at": "2025-05-05T05:05:05.000Z"} for record in samples(2, 3)]
            assert await postgres.deliver(batch, "key") == Outcome(4)
        assert store.ask("SELECT count(*) FROM {}.record_other") == [(3,)]
    async with store.opened() as postgres:
        await postgres.deliver(
            [{**record, "measured_at": "2025-05-31T05:05:05.000Z"} for record in samples(5, 1)], "key"
        )
        await postgres.deliver(batch, "again")
    assert store.ask("SELECT count(*) FROM {}.record_other") == [(0,)]
    assert store.ask("SELECT array_agg(sequence ORDER BY sequence) FROM {}.record_2025_05") == [
        ([2, 3, 4, 5],)
    ]
    assert len(store.ids()) == 5


async def test_stations_and_epochs_in_one_schema_stay_apart(store: Store) -> None:
    """Eight stations begin at once in a schema that is not there yet; nobody's rows are taken for another's."""
    epochs = [f"{EPOCH[:-2]}{number:02}" for number in range(8)]

    async def bench(epoch: str) -> None:
        async with store.opened(station=epoch[-2:]) as postgres:
            for first in range(1, 200, 40):
                await postgres.deliver(moved(samples(first, 40), epoch, station=epoch[-2:]), "key")

    await asyncio.gather(*map(bench, epochs))
    found = store.ask(
        "SELECT journal_epoch::text, min(station), max(station), count(*), count(DISTINCT sequence) FROM {}.record "
        "GROUP BY 1 ORDER BY 1"
    )
    assert found == [(epoch, epoch[-2:], epoch[-2:], 200, 200) for epoch in epochs]


async def test_the_same_sequence_of_two_epochs_is_two_records(store: Store) -> None:
    """A station that began a new journal writes beside its old rows, never over them."""
    async with store.opened() as postgres:
        await postgres.deliver(samples(1, 5), "key")
        await postgres.deliver(moved(samples(1, 5), OTHER), "key")
    assert store.ids() == ids(1, 5) + ids(1, 5, OTHER)


LATER: dict[str, tuple[str, str, str]] = {
    "read-only": (
        "ALTER ROLE bench SET default_transaction_read_only = on",
        "ALTER ROLE bench RESET default_transaction_read_only",
        "takes no rows",
    ),
    "shut out": ("ALTER ROLE bench NOLOGIN", "ALTER ROLE bench LOGIN", "not permitted to log in"),
    "no rights": (
        "REVOKE INSERT ON {}.record FROM bench",
        "GRANT INSERT ON {}.record TO bench",
        "may not INSERT",
    ),
    "no place": (
        "ALTER ROLE bench CONNECTION LIMIT 0",
        "ALTER ROLE bench CONNECTION LIMIT -1",
        "too many connections",
    ),
    "no key": (
        "ALTER TABLE {}.record RENAME COLUMN measured_at TO measured",
        "ALTER TABLE {}.record RENAME COLUMN measured TO measured_at",
        "measured_at",
    ),
}


@pytest.mark.parametrize("why", LATER)
async def test_what_the_server_does_not_do_for_now_is_waited_out(why: str, store: Store) -> None:
    """What is not about the rows sets no record aside: it is unreachable, says why and what to do, and passes."""
    broken, mended, words = LATER[why]
    async with store.opened() as postgres:
        await postgres.deliver(samples(1, 3), "key")
    store.ask(broken)
    try:
        destination = store.make()
        with pytest.raises(Unreachable, match=re.escape(words)) as caught:
            await destination.open()
        assert caught.value.hint
        await destination.close()
    finally:
        store.ask(mended)
    async with store.opened() as postgres:
        assert await postgres.deliver(samples(4, 3), "key") == Outcome(6)
    assert store.ids() == ids(1, 6)


@contextmanager
def held_locked(store: Store) -> Iterator[None]:
    """Have somebody hold the table for the time of the block."""
    with store.server.connected() as holder:
        holder.autocommit = False
        holder.execute(sql.SQL("LOCK TABLE {}").format(sql.Identifier(store.schema, "record")))
        yield


async def test_a_table_that_is_held_locked_is_waited_for_within_bounds(store: Store) -> None:
    """Who holds the table holds up a batch for lock_timeout_s and no longer; it comes again, and nothing is refused."""
    async with store.opened(lock_timeout_s=0.2) as postgres:
        await postgres.deliver(samples(1, 3), "key")
        with (
            held_locked(store),
            pytest.raises(Unreachable, match=r"lock timeout.*55P03.*somebody holds the table"),
        ):
            await postgres.deliver(samples(4, 3), "key")
        assert await postgres.deliver(samples(4, 3), "key") == Outcome(6)


async def test_a_server_that_works_for_too_long_is_waited_for_within_bounds(store: Store) -> None:
    """A statement that does not end is ended after statement_timeout_s, and its rows are kept."""
    async with store.opened(statement_timeout_s=1) as postgres:
        await postgres.deliver(samples(1, 1), "key")
        store.ask(
            "CREATE FUNCTION {}.slow() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN PERFORM pg_sleep(60); RETURN NEW; END $$"
        )
        store.ask("CREATE TRIGGER slow BEFORE INSERT ON {}.record FOR EACH ROW EXECUTE FUNCTION {}.slow()")
        with pytest.raises(Unreachable, match="57014"):
            await postgres.deliver(samples(2, 1), "key")
        store.ask("DROP TRIGGER slow ON {}.record")
        assert await postgres.deliver(samples(2, 1), "key") == Outcome(2)


async def test_what_is_taken_before_the_server_goes_is_told(store: Store) -> None:
    """Where it goes in the midst of a bisection, the outcome says how far it got, and the rest comes again."""
    async with store.opened() as postgres:
        store.ask(
            "CREATE FUNCTION {}.ends() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER AS $$ BEGIN "
            "IF NEW.sequence = 2 THEN RAISE 'not this one'; END IF; "
            "IF NEW.sequence = 7 THEN PERFORM pg_terminate_backend(pg_backend_pid()); END IF; RETURN NEW; END $$"
        )
        store.ask("CREATE TRIGGER ends BEFORE INSERT ON {}.record FOR EACH ROW EXECUTE FUNCTION {}.ends()")
        first = await postgres.deliver(samples(1, 8), "key")
        assert [refusal.id for refusal in first.refused] == [f"{EPOCH}-2"]
        assert "not this one (P0001)" in first.refused[0].answer
        assert first.through == 4
        store.ask("DROP TRIGGER ends ON {}.record")
        assert await postgres.deliver(samples(5, 4), "key") == Outcome(8)
    assert store.ids() == [f"{EPOCH}-{n}" for n in (1, 3, 4, 5, 6, 7, 8)]


async def test_a_connection_that_went_while_idle_is_no_outage(store: Store) -> None:
    """A connection that the server ended between two batches is made anew, and nobody hears of it."""
    async with store.opened() as postgres:
        await postgres.deliver(samples(1, 3), "a")
        store.ask("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'bench'")
        until(lambda: not store.ask("SELECT FROM pg_stat_activity WHERE usename = 'bench'"), "it is gone")
        assert await postgres.deliver(samples(4, 3), "b") == Outcome(6)


@pytest.mark.attack
@pytest.mark.parametrize("way", ["there", "back"])
async def test_a_connection_that_breaks_anywhere_doubles_nothing(way: str, store: Store) -> None:
    """Cut off after any number of bytes, either way, a batch is unreachable or held, and held once in the end."""
    batch = samples(1, 40)
    async with store.opened() as postgres:
        await postgres.deliver(batch[:1], "key")
    with Proxy(store.server.port) as proxy:
        said = list[str]()
        cuts = (0, 1, 90, 400, 900, 1500, 2500, 3500, 5000, 9000, 14_000, 15_500, 17_000)
        for after in cuts:
            proxy.fates.append(Cut(after, "there" if way == "there" else "back"))
            destination = store.make(port=proxy.port, connect_timeout_s=20)
            try:
                await destination.open()
                assert (await destination.deliver(batch, "key")).refused == ()
            except Unreachable as cause:
                said.append(cause.hint)
            finally:
                await destination.close()
        assert proxy.cuts > len(cuts) // 3
        assert said
        assert all(said)
    async with store.opened() as postgres:
        assert await postgres.deliver(batch, "key") == Outcome(40)
    assert sorted(store.ids()) == sorted(ids(1, 40))


async def test_an_end_while_the_server_is_silent_is_orderly(store: Store) -> None:
    """Cancelled while it waits for an answer, the connection goes at once and nothing is left behind."""
    with Proxy(store.server.port) as proxy:
        destination = store.make(port=proxy.port)
        await destination.open()
        with proxy.vanished():
            task = asyncio.create_task(destination.deliver(samples(1, 3), "key"))
            await asyncio.sleep(0.1)
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await asyncio.wait_for(task, 30)
            await asyncio.wait_for(destination.close(), 30)
        proxy.fates.append(OneWay("there"))
        begun = asyncio.create_task(destination.open())
        await asyncio.sleep(0.1)
        begun.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(begun, 30)
        await destination.close()
    async with store.opened() as postgres:
        assert await postgres.deliver(samples(1, 3), "key") == Outcome(3)


async def test_what_was_confirmed_is_on_the_server_s_disk(store: Store) -> None:
    """A server or role set to confirm before it has synced is told to sync for our rows."""
    store.ask("ALTER ROLE bench SET synchronous_commit = off")
    try:
        async with store.opened() as postgres:
            store.ask(
                "CREATE FUNCTION {}.notes() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
                "NEW.text := current_setting('synchronous_commit'); RETURN NEW; END $$"
            )
            store.ask(
                "CREATE TRIGGER notes BEFORE INSERT ON {}.record FOR EACH ROW EXECUTE FUNCTION {}.notes()"
            )
            await postgres.deliver(samples(1, 1), "key")
    finally:
        store.ask("ALTER ROLE bench RESET synchronous_commit")
    assert store.ask("SELECT text FROM {}.record") == [("on",)]


async def test_nothing_is_taken_from_the_environment(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the library would read from variables is not what the station file says, and does not count."""
    for name, value in {
        "PGHOST": "nowhere.example", "PGPASSWORD": "x", "PGOPTIONS": "-c role=nobody", "PGSSLMODE": "verify-full",
        "PGDATABASE": "none", "PGUSER": "none", "PGPASSFILE": str(tmp_path), "PGCONNECT_TIMEOUT": "1",
    }.items():  # fmt: skip
        monkeypatch.setenv(name, value)
    async with store.opened() as postgres:
        assert await postgres.deliver(samples(1, 1), "key") == Outcome(1)
