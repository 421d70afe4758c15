"""Records over HTTP: in order, none left out, none twice, and as soon as they are there."""

from __future__ import annotations

import asyncio
import uuid
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.indication import BadFrame
from gaugepost.core.publication import publish
from tests.service.at_work import AtWork, at_work

pytestmark = pytest.mark.asyncio


async def _measured(station: AtWork) -> None:
    """Two lots of two pieces with bore-38, one reading of dial-24 between them."""
    station.connect()
    await station.master()
    for lot in ("L1", "L2"):
        for piece in ("1", "2"):
            await station.http.put("/v1/tags", json={"lot": lot, "piece": piece})
            await station.shows(f"38.010{piece}")
        await station.shows("0.0100", "dial-serial")


@pytest.mark.parametrize("limit", [1, 3, 1000])
async def test_page_by_page_gives_the_journal(limit: int, tmp_path: Path) -> None:
    """Following `next` yields every record once, in order, whatever the page's size."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        reader = station.running.reader
        wanted = [publish(entry, reader.epoch, "north-bench") for entry in reader.entries(0, 1000)]
        got, after = [], 0
        while page := (answer := await station.get("/v1/records", after=after, limit=limit))["records"]:
            assert len(page) <= limit
            assert answer["epoch"] == reader.epoch
            got += page
            after = answer["next"]
    assert got == wanted
    assert after == len(wanted) > 20


async def test_filters_choose(tmp_path: Path) -> None:
    """Each filter leaves what it names, and `next` passes over what it leaves out."""
    cases: list[tuple[dict[str, Any], int]] = [
        ({"kind": "reading"}, 6),
        ({"kind": ["reading", "check"]}, 7),
        ({"kind": "reading", "gauge": "dial-24"}, 2),
        ({"kind": "reading", "lot": "L2"}, 3),
        ({"kind": "reading", "lot": "L2", "piece": "2", "gauge": "bore-38"}, 1),
        ({"kind": "reading", "characteristic": "bush-bore"}, 4),
        ({"gauge": "no-such-gauge"}, 0),
        ({"since": "2099-01-01T00:00:00Z"}, 0),
        ({"kind": "reading", "since": "2020-01-01T00:00:00+02:00", "until": "2099-01-01T00:00:00.5Z"}, 6),
        ({"until": "2020-01-01T00:00:00Z"}, 0),
    ]
    async with at_work(tmp_path) as station:
        await _measured(station)
        for query, count in cases:
            answer = await station.get("/v1/records", **query)
            assert len(answer["records"]) == count, query
            assert answer["next"] == station.running.growth.head


async def test_the_last_ones_are_asked_for_from_the_end(tmp_path: Path) -> None:
    """`last` gives the end of what a filter leaves, in order, and `next` goes on after it."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        for wanted in (
            {},
            {"kind": "reading"},
            {"gauge": "bore-38", "lot": "L1"},
            {"gauge": "no-such-gauge"},
        ):
            whole = (await station.get("/v1/records", limit=1000, **wanted))["records"]
            for last in (1, 3, 1000):
                answer = await station.get("/v1/records", last=last, **wanted)
                assert answer["records"] == whole[-last:]
                assert answer["next"] == station.running.growth.head
        await station.shows("38.0104")
        news = await station.get("/v1/records", after=answer["next"], kind="reading")
        assert [record["indication"] for record in news["records"]] == ["38.0104"]


async def test_some_fields_are_asked_for_alone(tmp_path: Path) -> None:
    """`field` gives those fields of each record that it has, with id and sequence, as they are published otherwise."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        whole = (await station.get("/v1/records", limit=1000))["records"]
        for fields in (
            ["value", "verdict"],
            ["hash"],
            ["station", "id"],
            ["kind", "measured_at", "master", "text"],
        ):
            names = {"id", "sequence", *fields}
            wanted = [{name: each[name] for name in each if name in names} for each in whole]
            assert (await station.get("/v1/records", field=fields, limit=1000))["records"] == wanted
            many = await station.get("/v1/records", field=fields, last=10_000)
            assert many["records"] == wanted


@pytest.mark.parametrize(
    ("query", "status", "said"),
    [
        ({"last": 5, "after": 3}, 422, "leave after, limit and wait away"),
        ({"last": 5, "wait": 1}, 422, "leave after, limit and wait away"),
        ({"last": 0}, 422, "last"),
        ({"last": 1001}, 422, "name the fields that are needed with `field`"),
        ({"limit": 1001}, 422, "name the fields that are needed with `field`"),
        ({"limit": 10_001, "field": "value"}, 422, "limit"),
        ({"field": "verdit"}, 422, "did you mean verdict?"),
        ({"field": "x" * 200}, 422, "deploy/vocabulary.md"),
    ],
)
async def test_what_does_not_go_together_is_told(
    query: dict[str, Any], status: int, said: str, tmp_path: Path
) -> None:
    """An end and a beginning at once, more than an answer holds, a field that there is not: what to ask instead."""
    async with at_work(tmp_path) as station:
        answer = await station.http.get("/v1/records", params=query)
    assert (answer.status_code, said in answer.text) == (status, True), answer.text


async def test_a_full_page_goes_on_behind_its_last_record(tmp_path: Path) -> None:
    """Where a filtered page is full, the next one begins right behind it, so that nothing is left out."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        got, after = [], 0
        while page := (answer := await station.get("/v1/records", after=after, kind="reading", limit=2))[
            "records"
        ]:
            got += [record["sequence"] for record in page]
            after = answer["next"]
        whole = await station.get("/v1/records", kind="reading")
        assert got == [record["sequence"] for record in whole["records"]]


async def test_waiting_ends_with_the_first_match(tmp_path: Path) -> None:
    """A waiting client gets the record it waits for at once, and not before it is there; others don't end its wait."""
    async with at_work(tmp_path) as station:
        station.connect()
        head = (await station.get("/v1/station"))["head"]
        waiting = asyncio.create_task(station.get("/v1/records", after=head, kind="reading", wait=20))
        await station.arrives("bore-serial", BadFrame("noise", b"\x00"))
        await station.http.put("/v1/tags", json={"lot": "L1"})
        assert not waiting.done()
        await station.shows("38.0100")
        async with asyncio.timeout(10):
            answer = await waiting
    assert [record["indication"] for record in answer["records"]] == ["38.0100"]
    assert answer["next"] == answer["records"][0]["sequence"]


async def test_waiting_in_vain_ends_with_an_empty_page(tmp_path: Path) -> None:
    """When the time is over the page is empty, and `next` is past what was looked through."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.shows("38.0100")
        head = station.running.growth.head
        answer = await station.get("/v1/records", kind="check", wait=0.05)
    assert answer == {"records": [], "next": head, "epoch": answer["epoch"]}


async def test_many_wait_and_each_is_answered(tmp_path: Path) -> None:
    """Waiting clients neither hold up each other nor anything else."""
    async with at_work(tmp_path) as station:
        station.connect()
        head = (await station.get("/v1/station"))["head"]
        waiting = [
            asyncio.create_task(station.get("/v1/records", after=head, kind="reading", wait=20))
            for _ in range(30)
        ]
        await station.shows("38.0100")
        async with asyncio.timeout(15):
            answers = await asyncio.gather(*waiting)
    assert all(len(answer["records"]) == 1 for answer in answers)


async def test_the_end_of_the_service_ends_the_wait(tmp_path: Path) -> None:
    """Whoever waits when the service ends is answered, not cut off, and the end does not wait for them."""
    async with at_work(tmp_path) as station:
        head = (await station.get("/v1/station"))["head"]
        waiting = asyncio.create_task(station.get("/v1/records", after=head, wait=30))
        await station.somebody_waits()
        station.stop.set()
        async with asyncio.timeout(10):
            answer = await waiting
            await station.serving
    assert answer["records"] == []


async def test_beyond_the_journal_is_a_conflict(tmp_path: Path) -> None:
    """A place that this journal has not reached comes from another one, and is answered so rather than waited for."""
    async with at_work(tmp_path) as station:
        answer = await station.http.get("/v1/records", params={"after": 1000, "wait": 30})
        assert answer.status_code == 409
        assert station.journal.epoch in answer.json()["hint"]


async def test_a_record_by_its_id_or_sequence(tmp_path: Path) -> None:
    """The full id and the bare sequence name the same record."""
    async with at_work(tmp_path) as station:
        by_sequence = await station.get("/v1/records/2")
        assert by_sequence == await station.get(f"/v1/records/{by_sequence['id']}")
        assert by_sequence["kind"] == "set-up"


async def test_ids_that_name_nothing(tmp_path: Path) -> None:
    """What is no id is 422, an id of nothing here is 404, each with what to write instead."""
    cases = [
        ("3", 404), ("9007199254740991", 404), ("9007199254740992", 422), ("0", 422), ("-1", 422), ("1e1", 422),
        ("02", 422), ("٣", 422), ("x", 422), (f"{uuid.UUID(int=7)}-1", 404), (f"{uuid.UUID(int=7)}-0", 422),
        ("a" * 36 + "-9999999999999999999", 422), ("9" * 400, 422),
    ]  # fmt: skip
    async with at_work(tmp_path) as station:
        for name, status in cases:
            answer = await station.http.get(f"/v1/records/{name}")
            assert answer.status_code == status, answer.text
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["hint"]


async def test_questions_that_can_not_be_answered(tmp_path: Path) -> None:
    """Numbers out of bounds, times without a zone, keys that are unknown or doubled: named, with what to write."""
    cases = [
        ("limit=0", ""), ("limit=1001", ""), ("limit=x", ""), ("after=-1", ""), ("after=9007199254740992", ""),
        ("wait=31", ""), ("wait=nan", ""), ("wait=-1", ""), ("limit=1&limit=2", "once"),
        ("kind=raeding", "reading"), ("gauges=bore-38", "gauge"), ("since=2026-11-25", "Z"),
        ("since=2026-11-25T09:00:00", "Z"), ("since=2026-02-30T09:00:00Z", "Z"),
        ("until=2026-11-25T09:00:00+01:00", "%2B"),
        ("gauge=" + "x" * 201, ""),
    ]  # fmt: skip
    async with at_work(tmp_path) as station:
        for query, hint in cases:
            answer = await station.http.get(f"/v1/records?{query}")
            assert answer.status_code == 422, answer.text
            assert answer.headers["content-type"] == "application/problem+json"
            assert query.split("=")[0] in answer.json()["detail"]
            assert hint in answer.json().get("hint", "")
