"""What the views make the server do with a plant's records, by its own account of a question that it answered."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from tests.contract.postgres_bench import Store, server as server, store as store

pytestmark = [pytest.mark.asyncio, pytest.mark.attack]

BENCHES, EACH = 4, 50_000
FILL = """
INSERT INTO {}.record (journal_epoch, kind, id, sequence, station, measured_at, hash, gauge, characteristic, lot, piece,
    attempt, value, value_mm, unit, verdict, replaces, first, last)
SELECT epoch::uuid, kind, epoch || '-' || n, n, 'bench ' || bench, timestamptz '2025-01-03' + n * interval '8 min',
    '\\x00',
    'bore-' || n %% 4, CASE WHEN told THEN 'bore ' || n %% 6 END, CASE WHEN n %% 7 > 0 THEN 'L' || n / 1200 END,
    (n / 6 %% 200)::text, 1, 38, 38, 'mm', CASE WHEN told THEN 'in-limits' END,
    CASE WHEN kind IN ('void', 'amendment') THEN epoch || '-' || n - 100 END,
    CASE WHEN kind = 'suspect' THEN n - 200 END, CASE WHEN kind = 'suspect' THEN n - 1 END
FROM (SELECT *, kind IN ('reading', 'amendment') AS told FROM (
    SELECT bench, '5f0c6d3e-000' || bench || '-4f0f-9d51-8a3f3a2f7c11' AS epoch, n,
        CASE WHEN n %% 5000 = 4999 THEN 'suspect' WHEN n %% 200 = 199 THEN 'void' WHEN n %% 200 = 150 THEN 'amendment'
        ELSE 'reading' END AS kind
    FROM generate_series(1, %s) bench, generate_series(201, %s) n) made) told"""


async def test_no_view_takes_the_square_of_the_rows(store: Store) -> None:
    """With 200,000 records no step of a view is done again for each, and a gauge's week reads its month only."""
    async with store.opened():
        store.ask("ALTER ROLE plant SET jit = off")  # deploy/postgres.md says why
        store.ask(
            "ALTER ROLE plant SET statement_timeout = '200s'"
        )  # bounds a failure, which would take hours
    for month in range(1, 13):
        store.ask(f"SELECT {{}}.make_month('2025-{month:02}-01')")
    store.ask(FILL, BENCHES, EACH + 200)
    store.ask("ANALYZE {}.record")
    for question in (
        "SELECT * FROM {}.suspect_list",
        "SELECT * FROM {}.last_results",
        "SELECT * FROM {}.spc_subgroups",
    ):
        for node in _nodes(_explained(store, question, "ANALYZE, TIMING OFF, ")):
            # What is done for each of some records is looked up by an index: a row or so a time.
            again = node["Actual Loops"] * (node["Actual Rows"] + node.get("Rows Removed by Filter", 0))
            assert again < 3 * BENCHES * EACH, (question, node["Node Type"], node["Actual Loops"])
    week = (
        "SELECT * FROM {}.standing WHERE gauge = 'bore-1' AND measured_at >= '2025-06-02' "
        "AND measured_at < '2025-06-09' ORDER BY measured_at DESC LIMIT 20"
    )
    readings = [node for node in _nodes(_explained(store, week)) if "reading" in node.get("Filter", "")]
    assert [node["Relation Name"] for node in readings] == ["record_2025_06"]
    assert "gauge" in json.dumps(readings)


def _explained(store: Store, question: str, more: str = "") -> dict[str, Any]:
    ((found,),) = store.ask(f"EXPLAIN ({more}FORMAT JSON) {question}")
    plan: dict[str, Any] = found[0]["Plan"]
    return plan


def _nodes(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield every step of a plan."""
    yield plan
    for below in plan.get("Plans", ()):
        yield from _nodes(below)
