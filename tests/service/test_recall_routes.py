"""A ring turns out bad at a station at work: traced, judged again and marked as suspect over REST."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.bench.derive import Difference
from gaugepost.core.bench.tracing.deriving import rederived
from gaugepost.edge.journal.lookup import Lookup
from gaugepost.service.commands.asked import Commands
from tests.service.at_work import AtWork, at_work

# 38 H7 is 38.000 to 38.025 mm (ISO 286-1); the ring is 38.0012 mm by its certificate, the gauge shows 0.3 µm too much.
SHOWN = ("38.0010", "38.0100", "38.0249", "38.0251", "38.0261", "38.0264")
LARGER = {"size": "38.0022 mm"}
"""Calibrated anew 1 µm larger: what was measured is larger by as much."""


async def _measured(station: AtWork, shown: Sequence[str] = SHOWN) -> None:
    station.connect()
    await station.master()
    await station.http.put("/v1/tags", json={"operator": "M1", "lot": "L1", "piece": "1"})
    said = {"master": "ring-38", "serial": "R-4711"}
    assert (await station.http.post("/v1/gauges/bore-38/check", json=said)).status_code == 200
    await station.shows("38.0015")
    for digits in shown:
        await station.shows(digits)


async def _post(station: AtWork, path: str, **said: Any) -> Any:
    answer = await station.http.post(f"/v1{path}", json=said)
    assert answer.status_code == 200, answer.text
    return answer.json()


@pytest.mark.asyncio
async def test_a_ring_that_is_larger(tmp_path: Path) -> None:
    """Traced, each value is larger by what the ring is; recorded, each has one record more, and no other later."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        before = await station.get("/v1/masters/ring-38/trace")
        assert (before["counts"]["depended"], before["counts"]["changed"]) == (len(SHOWN), 0)
        found = await station.get("/v1/masters/ring-38/trace", **LARGER)
        assert found["corrected"] == ["masters.ring-38.size = 38.0022 mm"]
        counts = found["counts"]
        assert (counts["changed"], counts["decision_changed"], counts["get_back"]) == (6, 2, 2)
        first, second, *_ = found["rows"]
        assert first["action"].startswith("get it back")
        assert (first["value"], first["value_becomes"]) == ("38.0246", "38.0256")
        assert (second["decision"], second["decision_becomes"]) == ("accept", "reject")
        told = await _post(station, "/masters/ring-38/rejudgement", reason="calibrated anew", **LARGER)
        assert len(told["records"]) == 6
        records = (await station.get("/v1/records", kind="rejudged"))["records"]
        assert [record["id"] for record in records] == told["records"]
        assert {record["operator"] for record in records} == {"M1"}
        again = await _post(station, "/masters/ring-38/rejudgement", reason="once more", **LARGER)
        assert again["records"] == []
        after = await station.get("/v1/masters/ring-38/trace")
        assert after["counts"]["changed"] == 0
        assert after["rows"][0]["measured_as"] != after["rows"][0]["id"]
        last = station.running.growth.head
        came = await asyncio.to_thread(lambda: list(rederived(Lookup(station.running.reader), last)))
        assert len(came) == 6
        assert not any(isinstance(each, Difference) for each in came)


@pytest.mark.asyncio
async def test_what_was_judged_again_is_voided(tmp_path: Path) -> None:
    """A record that was replaced names the one to void instead, and that is voided like any other."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        told = await _post(station, "/masters/ring-38/rejudgement", reason="calibrated anew", **LARGER)
        (first, *_) = (await station.get("/v1/records", kind="reading"))["records"][-len(SHOWN) :]
        refused = await station.http.post(f"/v1/records/{first['id']}/void", json={"reason": "chip"})
        assert refused.status_code == 409
        await _post(station, f"/records/{told['records'][0]}/void", reason="chip")
        assert (await station.get("/v1/masters/ring-38/trace"))["counts"]["voided"] == 1


@pytest.mark.asyncio
async def test_suspects(tmp_path: Path) -> None:
    """A doubted gauge is marked since its last good check, and due; a dropped ring marks all on it, once."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        told = await _post(station, "/gauges/bore-38/suspect", reason="a contact is chipped")
        assert told["text"].startswith("6 readings of bore-38")
        gauge = await station.get("/v1/gauges/bore-38")
        assert (gauge["judged"], gauge["reasons"]) == (False, ["a contact is chipped"])
        ring = await _post(station, "/masters/ring-38/suspect", reason="the ring was dropped")
        assert ring["text"] == "there is nothing that is not marked already"
        await station.shows("38.0100")
        ring = await _post(station, "/masters/ring-38/suspect", reason="the ring was dropped")
        (*_, suspect) = (await station.get("/v1/records", kind="suspect"))["records"]
        assert (suspect["id"], suspect["count"], suspect["master"]) == (ring["records"][0], 7, "ring-38")


@pytest.mark.asyncio
async def test_a_doubt_is_lifted(tmp_path: Path) -> None:
    """A good check on the same ring, and a reason: the list says who lifted it; without the check it is refused."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        told = await _post(station, "/gauges/bore-38/suspect", reason="it was knocked")
        path, said = f"/v1/records/{told['records'][0]}/lifting", {"reason": "checked again: nothing moved"}
        refused = await station.http.post(path, json=said)
        assert refused.status_code == 409
        assert "no good check" in refused.json()["detail"]
        (open_one,) = (await station.get("/v1/suspects"))["suspects"]
        assert (open_one["open"], open_one["reason"], open_one["count"]) == (True, "it was knocked", 6)
        check = {"master": "ring-38", "serial": "R-4711"}
        assert (await station.http.post("/v1/gauges/bore-38/check", json=check)).status_code == 200
        await station.shows("38.0015")
        lifted = await station.http.post(path, json=said)
        assert lifted.status_code == 200, lifted.text
        (record,) = (await station.get("/v1/records", kind="lifted"))["records"]
        assert (record["id"], record["replaces"]) == (lifted.json()["records"][0], open_one["id"])
        (closed,) = (await station.get("/v1/suspects"))["suspects"]
        assert closed["open"] is False
        assert closed["lifted"]["by"] == "M1"
        assert (closed["lifted"]["reason"], closed["lifted"]["check"]) == (
            said["reason"],
            record["members"][0],
        )
        again = await station.http.post(path, json=said)
        assert again.status_code == 409


@pytest.mark.asyncio
async def test_a_doubt_is_lifted_by_topic(tmp_path: Path) -> None:
    """A command that comes by MQTT lifts a doubt in the same words, and is refused for the same reasons."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        mark = (await _post(station, "/gauges/bore-38/suspect", reason="it was knocked"))["records"][0]
        commands = Commands(station.running)

        async def lift(request: str) -> Any:
            said = {"request": request, "record": mark, "reason": "checked again: nothing moved"}
            return await commands.carry_out("lift", json.dumps(said).encode(), by="plant")

        assert (await lift("a"))["status"] == 409
        check = {"master": "ring-38", "serial": "R-4711"}
        assert (await station.http.post("/v1/gauges/bore-38/check", json=check)).status_code == 200
        await station.shows("38.0015")
        assert (await lift("b"))["accepted"] is True
        (told,) = (await station.get("/v1/suspects"))["suspects"]
        assert told["open"] is False


@pytest.mark.asyncio
async def test_a_check_that_would_have_failed(tmp_path: Path) -> None:
    """Where the ring of a check turns out bad, the check would have failed: what it let through is suspect."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        said = {"master": "ring-37"}
        assert (await station.http.post("/v1/gauges/bore-38/check", json=said)).status_code == 200
        await station.shows("36.9988")
        for digits in SHOWN:
            await station.shows(digits)
        found = await station.get("/v1/masters/ring-37/trace", size="36.9940 mm")
        assert found["counts"]["depended"] == 0
        (check,) = found["checks"]
        assert (check["code"], check["code_becomes"], check["error_mm_becomes"]) == (
            "passed",
            "failed",
            "0.004500000",
        )
        await _post(
            station, "/masters/ring-37/suspect", reason="calibrated anew", operator="Q1", size="36.9940 mm"
        )
        (suspect,) = (await station.get("/v1/records", kind="suspect"))["records"]
        assert (suspect["count"], suspect["master"], suspect["gauge"]) == (6, "ring-37", "bore-38")


@pytest.mark.asyncio
async def test_what_is_asked_for_wrongly(tmp_path: Path) -> None:
    """Names that never were, lengths without a unit, nothing corrected: each says what to write instead."""
    async with at_work(tmp_path) as station:
        await _measured(station)
        mastering = (await station.get("/v1/records", kind="mastering"))["records"][0]["id"]
        assert (await station.get(f"/v1/records/{mastering}/trace"))["counts"]["depended"] == 6
        for path, query, status, finding in (
            ("/masters/ring-83/trace", {}, 404, "no master is named 'ring-83'"),
            ("/masters/ring-38/trace", {"size": "38.0022"}, 422, "38.0022"),
            ("/masters/ring-38/trace", {"size": "-1 mm"}, 422, "is no size"),
            ("/masters/ring-38/trace", {"correction": "1 K"}, 422, "which thermometer"),
            ("/masters/ring-38/trace", {"since": "yesterday"}, 422, "not a time"),
            ("/gauges/bore-38/trace", {"size": "38 mm"}, 422, "whose certificate"),
            ("/gauges/bore-38/trace", {"size": "38 mm", "master": "ring-3"}, 422, "ever named 'ring-3'"),
            ("/thermometers/air/trace", {"correction": "0.3"}, 422, "no correction of a thermometer"),
            ("/records/1/trace", {}, 422, "a start, not a mastering"),
            ("/masters/ring-38/trace", {"colour": "red"}, 422, "colour"),
        ):
            answer = await station.http.get(f"/v1{path}", params=query)
            assert answer.status_code == status, answer.text
            assert finding in answer.json()["detail"]
            assert answer.json()["hint"]
        for path, said in (
            ("/masters/ring-38/rejudgement", {"reason": "calibrated anew"}),
            ("/gauges/dial-24/suspect", {"reason": "knocked"}),
        ):
            answer = await station.http.post(f"/v1{path}", json=said)
            assert (answer.status_code, bool(answer.json()["hint"])) == (409, True)
