"""Records as rows, read back from a real server: exact, or refused by name; nothing in between."""

from __future__ import annotations

import asyncio
import re
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

from hypothesis import given, settings, strategies as st
from psycopg import sql

from gaugepost.contract import COLUMNS, Publication, published_types
from gaugepost.contract.kit.destinations import EPOCH
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Record
from gaugepost_adapters.destinations.postgres import rows
from tests.contract.postgres_bench import Store, server as server, store as store
from tests.edge.records import RECORDS

DDL = Path(rows.__file__).parent


def _alike(told: object, held: object, kind: str) -> bool:
    """Whether a value came back as it was published."""
    match kind:
        case "exact number":
            # Not one digit more or less, zeros at the end included; the server knows no negative zero.
            return isinstance(held, Decimal) and f"{held:f}" == str(told).removeprefix(
                "-" if held == 0 else ""
            )
        case "list of exact numbers":
            return isinstance(told, list) and isinstance(held, list) and [Decimal(x) for x in told] == held
        case "time":
            return isinstance(held, datetime) and held == datetime.fromisoformat(str(told)).astimezone(UTC)
        case "hex":
            return isinstance(held, bytes) and held.hex() == told
    return told == held


def _never_fits(told: Publication) -> bool:
    """Whether the server has no room for it: NUL in a text, a whole number beyond 64 bits."""
    texts = [each for value in told.values() for each in (value if isinstance(value, list) else [value])]
    return any(isinstance(each, str) and "\0" in each for each in texts) or any(
        isinstance(each, int) and not -(2**63) <= each < 2**63 for each in texts
    )


def test_every_record_comes_back_exactly_or_is_refused(store: Store) -> None:
    """Digits, signs, quotes, line ends, bytes and lists are read back as published; what has no room is refused."""
    numbers = iter(range(1, 10_000))

    @given(
        st.lists(
            RECORDS.filter(lambda record: abs(record.measured_at) < 60_000_000_000_000),
            min_size=1,
            max_size=5,
        )
    )
    @settings(max_examples=20)
    def hold(records: list[Record]) -> None:
        batch = [dict(publish(Entry(next(numbers), bytes(32), each), EPOCH, "bench 1")) for each in records]
        outcome = runner.run(destination.deliver(batch, "key"))
        assert outcome.through == batch[-1]["sequence"]
        refused = {refusal.id for refusal in outcome.refused}
        assert refused == {told["id"] for told in batch if _never_fits(told)}
        for told in batch:
            found = person.execute(asked, [told["id"]]).fetchall()
            if told["id"] in refused:
                assert found == []
                continue
            ((*row,),) = found
            for name, held, kind in zip(COLUMNS, row, published_types().values(), strict=True):
                value = told.get(name)
                assert held is None if value is None else _alike(value, held, kind), (name, value, held)

    asked = sql.SQL("SELECT {} FROM {} WHERE id = %s").format(
        sql.SQL(", ").join(map(sql.Identifier, COLUMNS)), sql.Identifier(store.schema, "record")
    )
    with asyncio.Runner() as runner, store.server.connected() as person:
        destination = store.make()
        runner.run(destination.open())
        try:
            hold()
        finally:
            runner.run(destination.close())


def test_every_name_of_the_vocabulary_has_a_column() -> None:
    """Nothing that is published is left out of the table."""
    assert set(rows.COLUMNS) == {*COLUMNS, rows.EPOCH}


def test_statements_name_no_schema_but_their_own() -> None:
    """Whatever the schema is called, tables, views and functions are looked for in it and nowhere else."""
    for name in ("tables.sql", "views.sql"):
        text = re.sub(r"--.*|'[^']*'", "", (DDL / name).read_text(encoding="utf-8"))
        assert not re.findall(
            r"\b(?:FROM|JOIN|INTO|TABLE(?: IF NOT EXISTS)?)\s+(?:record\w*|layout|standing|doubts)\b", text
        )
        assert "gaugepost" not in re.sub(r"\bgaugepost(?=[.;])", "", text)
