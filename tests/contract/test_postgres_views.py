"""The views, held against the same questions answered in Python over histories of an invented shop."""

from __future__ import annotations

import random
import statistics
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from typing import Any

import pytest

from gaugepost.contract import Publication
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind, Record
from tests.contract.postgres_bench import Store, server as server, store as store

pytestmark = pytest.mark.asyncio

EPOCHS = ("5f0c6d3e-1111-4f0f-9d51-8a3f3a2f7c11", "5f0c6d3e-2222-4f0f-9d51-8a3f3a2f7c12")
BEGIN_MS = 1_760_000_000_000
Told = dict[str, Any]


def history(chance: random.Random, epoch: str, station: str, count: int) -> list[Publication]:
    """Return what a station published: attempts at pieces, results, voids, amendments, re-judgings, failed checks."""
    told: list[Publication] = []
    known: dict[int, Record] = {}
    standing: list[int] = []
    attempts: dict[object, int] = {}
    for sequence in range(1, count + 1):
        record = _next(chance, sequence, known, standing, attempts)
        known[sequence] = record
        told.append(publish(Entry(sequence, bytes(32), record), epoch, station))
    return told


def _next(
    chance: random.Random,
    sequence: int,
    known: Mapping[int, Record],
    standing: list[int],
    attempts: dict[object, int],
) -> Record:
    at: dict[str, Any] = {
        "measured_at": BEGIN_MS + sequence * 41_000_000,
        "clock_ms": sequence,
        "operator": "M2",
    }
    what = chance.random()
    if what < 0.2 and standing:
        # Voided, amended, or judged again: never what was replaced before.
        before = standing.pop(chance.randrange(len(standing)))
        record = known[before]
        if what < 0.07:
            return Record(kind=Kind.VOID, replaces=before, gauge=record.gauge, text="test piece", **at)
        standing.append(sequence)
        fields = {name: value for name, value in vars(record).items() if name not in ("kind", *at)}
        if what < 0.13:
            fields |= {"piece": str(chance.randrange(8)), "operator": "M7"}
            kind = Kind.AMENDMENT
        else:
            of = (
                record.code
                if record.kind is Kind.REJUDGED
                else "result"
                if record.kind is Kind.RESULT
                else "reading"
            )
            fields |= {
                "value": (record.value or Decimal(0)) + Decimal("0.001"),
                "code": of,
                "verdict": "oversize",
            }
            kind = Kind.REJUDGED
        return Record(kind=kind, **{**fields, **at, "replaces": before})
    if what < 0.24:
        first = max(1, sequence - chance.randrange(2, 12))
        return Record(
            kind=Kind.SUSPECT, gauge=f"g{chance.randrange(2)}", first=first, last=sequence - 1, count=1, **at
        )
    if what < 0.255:
        doubts = [at for at, record in known.items() if record.kind is Kind.SUSPECT]
        if doubts:
            return Record(kind=Kind.LIFTED, replaces=doubts[0], gauge="g0", text="wiped", **at)
    if what < 0.27:
        return Record(kind=Kind.CHECK, gauge="g0", code="passed", error_mm=Decimal("0.0004"), **at)
    piece = None if what < 0.32 else str(chance.randrange(8))
    place: dict[str, Any] = {
        "characteristic": chance.choice(["A", "B"]),
        "position": chance.choice([None, "top"]),
        "lot": chance.choice([None, "L-1", "L-2"]),
        "piece": piece,
    }
    attempt = None
    if piece is not None:
        key = tuple(place.values())
        attempt = attempts[key] = attempts.get(key, 0) + chance.choice([0, 1, 1])
    standing.append(sequence)
    value = Decimal(chance.randrange(-200, 200)).scaleb(-4) + 38
    return Record(
        kind=chance.choice([Kind.READING, Kind.READING, Kind.RESULT]),
        gauge=f"g{chance.randrange(2)}",
        value=value,
        value_mm=value,
        unit="mm",
        lower=Decimal("38.000"),
        upper=Decimal("38.025"),
        verdict=chance.choice(["in-limits", "in-limits", "in-limits", "oversize", "not-judged", None]),
        attempt=attempt,
        **place,
        **at,
    )


def standing_of(told: Sequence[Publication]) -> list[Told]:
    """Return what stands, with the time and the doubts of what was measured first."""
    by_id = {str(record["id"]): record for record in told}
    replaced = {record.get("replaces") for record in told}
    found = []
    for record in told:
        first = record
        while first["kind"] in ("amendment", "rejudged"):
            first = by_id[str(first["replaces"])]
        if first["kind"] not in ("reading", "result") or record["id"] in replaced:
            continue
        suspect = any(
            doubt["kind"] == "suspect"
            and doubt["id"] not in replaced
            and str(doubt["id"])[:36] == str(first["id"])[:36]
            and doubt["gauge"] == record["gauge"]
            and _whole(doubt["first"]) <= _whole(first["sequence"]) <= _whole(doubt["last"])
            for doubt in told
        )
        at = datetime.fromisoformat(str(first["measured_at"]))
        found.append({**record, "measured_at": at, "suspect": suspect, "operator": first["operator"]})
    return found


def _whole(value: object) -> int:
    assert isinstance(value, int)
    return value


_PLACE = ("station", "characteristic", "position", "lot", "piece")


def last_of(told: Sequence[Publication]) -> list[Told]:
    """Return what counts of each place: the last attempt's last measurement that was judged or not, with reasons."""
    best: dict[object, Told] = {}
    for each in standing_of(told):
        if each.get("verdict") is None:
            continue
        key = (*(each.get(name) for name in _PLACE), each["id"] if each.get("piece") is None else None)
        old = best.get(key)
        if old is None or _order(each) > _order(old):
            best[key] = each
    return list(best.values())


def _order(each: Told) -> tuple[object, ...]:
    return each.get("attempt", -1), each["measured_at"], each["sequence"]


async def told_to(store: Store, chance: random.Random, count: int = 150) -> list[Publication]:
    """Have two stations write their histories, in batches of any size, some of them twice; return both."""
    told: list[Publication] = []
    for number, epoch in enumerate(EPOCHS):
        station = f"bench {number}"
        records = history(chance, epoch, station, count)
        told += records
        async with store.opened(station=station) as postgres:
            while records:
                batch = records[: chance.randrange(1, 60)]
                outcome = await postgres.deliver(batch, "key")
                assert outcome.refused == ()
                records = records[0 if chance.random() < 0.2 else len(batch) :]
    return told


@pytest.mark.parametrize("seed", range(3))
async def test_views_say_what_stands(seed: int, store: Store) -> None:
    """Voids, amendments, re-judgings, attempts and failed checks count in the views as they count in the journal."""
    told = await told_to(store, random.Random(seed))
    expected = standing_of(told)
    assert any(each["suspect"] for each in expected)
    assert any(each["kind"] == "rejudged" for each in expected)
    assert sorted(
        store.ask("SELECT id, suspect, measured_at, operator, value::text FROM {}.standing")
    ) == sorted(
        (each["id"], each["suspect"], each["measured_at"], each["operator"], each["value"])
        for each in expected
    )
    last = last_of(told)
    assert len(last) < len(expected)
    assert sorted(store.ask("SELECT id, suspect, verdict FROM {}.last_results")) == sorted(
        (each["id"], each["suspect"], each["verdict"]) for each in last
    )
    again = {
        tuple(each.get(name) for name in _PLACE)
        for each in last
        if not each["suspect"] and each["verdict"] != "not-judged" and each.get("piece") is not None
    }
    assert sorted(store.ask("SELECT id, measured_again FROM {}.suspect_list")) == sorted(
        (each["id"], tuple(each.get(name) for name in _PLACE) in again)
        for each in expected
        if each["suspect"]
    )
    lifted = {each["replaces"] for each in told if each["kind"] == "lifted"}
    marks = {each["id"] for each in told if each["kind"] == "suspect"}
    assert lifted
    assert {row[0] for row in store.ask("SELECT id FROM {}.suspects WHERE open")} == marks - lifted
    assert set(store.ask("SELECT lifted_by, lifted_because FROM {}.suspects WHERE NOT open")) == {
        ("M2", "wiped")
    }
    checks = [each["id"] for each in told if each["kind"] == "check"]
    assert sorted(store.ask("SELECT id, error_mm::text FROM {}.checks")) == sorted(
        (name, "0.0004") for name in checks
    )


@pytest.mark.parametrize("size", [5, 4])
async def test_subgroups_are_those_of_the_statistics_module(size: int, store: Store) -> None:
    """Mean, range and standard deviation of consecutive pieces of a lot, without what is suspect or was not judged."""
    chance = random.Random(size)
    told = await told_to(store, chance)
    good = [e for e in last_of(told) if e["verdict"] != "not-judged" and not e["suspect"]]

    def place(each: Told) -> tuple[str, ...]:
        return tuple(str(each.get(name) or "") for name in ("station", "characteristic", "position", "lot"))

    expected = {}
    for key, found in groupby(sorted(good, key=lambda each: (place(each), each["measured_at"])), place):
        line = list(found)
        for start in range(0, len(line), size):
            group = line[start : start + size]
            values = [Decimal(each["value"]) for each in group]
            spread = statistics.stdev(values) if len(values) > 1 else None
            expected[(*key, start // size + 1)] = (
                len(values), statistics.mean(values), max(values) - min(values), spread, min(values), max(values),
                len(values) == size, values, [each["id"] for each in group], group[0]["measured_at"],
            )  # fmt: skip
    assert any(each[0] == size for each in expected.values())
    view = "spc_subgroups" if size == 5 else f"subgroups({size})"
    rows = store.ask(
        f"""SELECT station, characteristic, coalesce(position, ''), coalesce(lot, ''), subgroup, pieces, mean, range,
        standard_deviation, smallest, largest, complete, "values", ids, first_at FROM {{}}.{view}"""  # noqa: S608
    )
    assert {row[:5] for row in rows} == set(expected)
    for row in rows:
        pieces, mean, spread, deviation, *rest = expected[row[:5]]
        assert row[5] == pieces
        assert row[6] == pytest.approx(mean, abs=Decimal("1e-12"))
        assert row[7] == spread
        assert (
            row[8] is None if deviation is None else row[8] == pytest.approx(deviation, abs=Decimal("1e-12"))
        )
        assert list(row[9:]) == rest


async def test_what_took_the_place_of_a_record_that_was_never_sent_stands(store: Store) -> None:
    """Where a station began to send in between, an amendment is all that there is of a reading, and stands."""
    record = Record(
        kind=Kind.AMENDMENT, measured_at=BEGIN_MS, clock_ms=9, gauge="g0", piece="3", value=Decimal(38),
        value_mm=Decimal(38), verdict="in-limits", replaces=4,
    )  # fmt: skip
    async with store.opened() as postgres:
        await postgres.deliver([publish(Entry(9, bytes(32), record), EPOCHS[0], "bench 1")], "key")
    assert store.ask("SELECT id, piece FROM {}.last_results") == [(f"{EPOCHS[0]}-9", "3")]


async def test_a_question_about_a_time_reads_that_time_s_months(store: Store) -> None:
    """However many years there are, what was measured in a month is looked for in that month's table alone."""
    async with store.opened() as postgres:
        for month in range(1, 13):
            at = {"measured_at": f"2024-{month:02}-15T12:00:00.000Z"}
            await postgres.deliver([{**history_of_one(month), **at}], "key")
    ((found,),) = store.ask(
        "EXPLAIN (FORMAT JSON) SELECT * FROM {}.standing "
        "WHERE measured_at >= '2024-06-01' AND measured_at < '2024-07-01'"
    )
    measured = {
        node["Relation Name"] for node in _nodes(found[0]["Plan"]) if "reading" in node.get("Filter", "")
    }
    assert measured == {"record_2024_06"}


def _nodes(plan: Told) -> Iterator[Told]:
    """Yield every step of a plan."""
    yield plan
    for below in plan.get("Plans", ()):
        yield from _nodes(below)


def history_of_one(sequence: int) -> Publication:
    """Return one reading."""
    record = Record(kind=Kind.READING, measured_at=BEGIN_MS, clock_ms=1, gauge="g0", value_mm=Decimal(38))
    return publish(Entry(sequence, bytes(32), record), EPOCHS[0], "bench 1")
