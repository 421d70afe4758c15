"""How the station stands, as told over HTTP, held against what was done to it."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.core.indication import Temperature
from tests.service.at_work import STATION, at_work

pytestmark = pytest.mark.asyncio


async def test_a_gauge_says_why_it_does_not_count(tmp_path: Path) -> None:
    """Before mastering, after it and after its check a gauge tells whether readings are judged, and why not."""
    async with at_work(tmp_path) as station:
        gauge = await station.get("/v1/gauges/bore-38")
        assert (gauge["connected"], gauge["judged"], gauge["reasons"]) == (False, False, ["not mastered"])
        assert (gauge["mastering"], gauge["procedure"], gauge["last_reading"]) == (None, None, None)
        station.connect()
        await station.master()
        gauge = await station.get("/v1/gauges/bore-38")
        assert (gauge["connected"], gauge["judged"], gauge["reasons"]) == (True, True, [])
        station.lose("bore-serial")
        station.connect("bore-serial")
        await station.shows("38.0100")
        gauge = await station.get("/v1/gauges/bore-38")
        assert (gauge["connected"], gauge["judged"]) == (True, False)
        assert gauge["reasons"] == ["the link bore-serial was lost"]


async def test_the_mastering_in_force_is_told(tmp_path: Path) -> None:
    """Masters, offset and the record of the mastering are told; 38.0014 and 38.0016 on 38.0012 give -0.0003 mm."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        mastering = (await station.get("/v1/gauges/bore-38"))["mastering"]
        record = await station.get(f"/v1/records/{mastering['id']}")
    assert mastering["masters"] == ["ring-38"]
    assert Decimal(mastering["offset_mm"]) == Decimal("-0.0003")
    assert mastering["scale"] is None
    assert (record["kind"], record["measured_at"]) == ("mastering", mastering["measured_at"])


async def test_two_masters_give_a_scale(tmp_path: Path) -> None:
    """A display that shows 1.0030 mm between rings 1.0027 mm apart has the scale 1.0027 / 1.0030."""
    async with at_work(tmp_path) as station:
        station.connect()
        said = {"masters": ["ring-38", "ring-37"], "serials": ["R-4711"], "readings": 1}
        assert (await station.http.post("/v1/gauges/dial-24/mastering", json=said)).status_code == 200
        await station.shows("0.0000", "dial-serial")
        await station.shows("-1.0030", "dial-serial")
        mastering = (await station.get("/v1/gauges/dial-24"))["mastering"]
    assert mastering["masters"] == ["ring-38", "ring-37"]
    assert abs(Decimal(mastering["scale"]) - Decimal("1.0027") / Decimal("1.0030")) < Decimal("1E-9")
    assert Decimal(mastering["offset_mm"]) == Decimal("38.0012")


async def test_what_to_read_next_is_told(tmp_path: Path) -> None:
    """At every step of a mastering the person at the bench is told what to read, and how far they are."""
    async with at_work(tmp_path) as station:
        station.connect()
        said = {"masters": ["ring-38"], "serials": ["R-4711"], "readings": 2, "movement": "larger"}
        assert (await station.http.post("/v1/gauges/dial-24/mastering", json=said)).status_code == 200
        seen = []
        for digits in ("0.0000", "0.0001", "0.0500"):
            going = (await station.get("/v1/gauges/dial-24"))["procedure"]
            seen.append((going["procedure"], going["next"], going["reading"], going["of"], going["text"]))
            await station.shows(digits, "dial-serial")
        after = await station.get("/v1/gauges/dial-24")
    assert seen == [
        ("mastering", "ring-38", 1, 3, "read ring-38: reading 1 of 3"),
        ("mastering", "ring-38", 2, 3, "read ring-38: reading 2 of 3"),
        ("mastering", None, 3, 3,
         "move the gauge so that the size is larger, then read once more: reading 3 of 3"),
    ]  # fmt: skip
    assert after["procedure"] is None
    assert after["reasons"] == ["mastered, not yet checked"]


async def test_the_last_reading_is_the_record(tmp_path: Path) -> None:
    """A gauge's last reading is told exactly as the journal publishes it."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        await station.shows("38.0103")
        await station.shows("38.0303")
        last = (await station.get("/v1/gauges"))["gauges"][0]["last_reading"]
        assert last == await station.get(f"/v1/records/{last['sequence']}")
    assert (last["value"], last["verdict"]) == ("38.030", "oversize")


async def test_an_unknown_gauge_is_named_with_the_nearest(tmp_path: Path) -> None:
    """A mistyped name is answered with what was probably meant."""
    async with at_work(tmp_path) as station:
        answer = await station.http.get("/v1/gauges/bore-83")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["hint"] == "did you mean bore-38?"


async def test_limits_are_told_in_the_drawings_unit(tmp_path: Path) -> None:
    """38 H7 is 38.000 to 38.025 mm (ISO 286-2, H7 over 30 to 50 mm: 0/+25 µm); 0.9450 in +0.0008 is 24.02332 mm."""
    async with at_work(tmp_path) as station:
        bush, sleeve = (await station.get("/v1/characteristics"))["characteristics"]
    assert (bush["lower"], bush["upper"], bush["unit"]) == ("38.000", "38.025", "mm")
    assert (sleeve["lower"], sleeve["upper"], sleeve["unit"]) == ("0.9450", "0.9458", "in")
    assert Decimal(sleeve["upper_mm"]) == Decimal("24.02332")
    assert (bush["rule"], bush["method"]) == ("simple acceptance", "absolute method")
    assert (bush["selected_for"], sleeve["selected_for"]) == (["bore-38"], ["dial-24"])


async def test_a_masters_serial_is_not_told(tmp_path: Path) -> None:
    """Who masters has to read the number off the ring: a list of numbers to copy from would prove nothing."""
    async with at_work(tmp_path) as station:
        answer = await station.http.get("/v1/masters")
    plain, ring = answer.json()["masters"]
    assert "R-4711" not in answer.text
    assert (ring["size_mm"], ring["asks_for_serial"], ring["overdue"]) == ("38.0012", True, False)
    assert ring["due"] == "2099-03-31T21:59:59.999Z"  # the end of that day in Berlin
    assert (plain["asks_for_serial"], plain["due"]) == (False, None)


async def test_temperatures_say_where_they_come_from(tmp_path: Path) -> None:
    """A thermometer's value comes with its age and what it stands in for; a declared one says so."""
    async with at_work(tmp_path) as station:
        station.connect()
        before = (await station.get("/v1/thermometers"))["thermometers"][0]
        await station.arrives("air-serial", Temperature(Decimal("21.4"), b"21.4\r\n"))
        told = await station.get("/v1/thermometers")
    assert (before["temperature_c"], before["age_s"], before["used"]) == (None, None, False)
    air = told["thermometers"][0]
    assert (air["temperature_c"], air["source"], air["used"], air["assumed_for"]) == (
        "21.4",
        "measured",
        True,
        ["part"],
    )
    assert 0 <= air["age_s"] < 60
    assert told["declared"] == [
        {"body": "gauge", "temperature_c": "20.5", "spread_k": "1", "source": "declared"}
    ]


async def test_the_station_is_told(tmp_path: Path) -> None:
    """Name, zone, journal and what is in hand are told."""
    async with at_work(tmp_path) as station:
        await station.http.put("/v1/tags", json={"operator": "M2", "lot": "L1", "piece": "7"})
        told = await station.get("/v1/station")
        epoch = station.journal.epoch
    assert (told["station"], told["zone"], told["epoch"], told["head"]) == (
        "north-bench",
        "Europe/Berlin",
        epoch,
        3,
    )
    assert told["set_up"] == f"{epoch}-2"
    assert told["tags"] == {"operator": "M2", "lot": "L1", "piece": "7", "position": None}


async def test_links_are_told(tmp_path: Path) -> None:
    """Every link of the station file is listed with its state, also before it was ever connected."""
    async with at_work(tmp_path) as station:
        links = (await station.get("/v1/links"))["links"]
    assert [(link["link"], link["state"]) for link in links] == [
        ("bore-serial", "connecting"), ("dial-serial", "connecting"), ("air-serial", "connecting"),
    ]  # fmt: skip


async def test_a_destination_without_its_adapter_is_told(tmp_path: Path) -> None:
    """A destination whose delivery does not run is listed all the same, as disabled."""
    text = STATION + '\n[destinations.table]\nkind = "csv_file"\npath = "out.csv"\n'
    async with at_work(tmp_path, text) as station:
        (one,) = (await station.get("/v1/destinations"))["destinations"]
    assert (one["destination"], one["kind"], one["state"]) == ("table", "csv_file", "disabled")


async def test_health_says_when_nothing_is_recorded(tmp_path: Path) -> None:
    """On a full disk (SQLite's own answer to it) health is 503 with the problem; with room again it is 200."""
    async with at_work(tmp_path) as station:
        recorder = station.running.recorder
        assert (await station.get("/v1/health"))["recording"] is True
        db = station.journal._db
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        db.execute(f"PRAGMA max_page_count = {pages}")
        for turn in range(500):
            if not recorder.recording:
                break
            answer = await station.http.put("/v1/tags", json={"lot": f"{turn} {'x' * 50}"})
            assert answer.status_code in (200, 503)
        health = await station.http.get("/v1/health")
        assert health.status_code == 503
        assert health.json()["recording"] is False
        assert "full" in health.json()["problem"]
        lot = recorder.state.lot
        refused = await station.http.put("/v1/tags", json={"lot": "L9"})
        assert (refused.status_code, recorder.state.lot) == (503, lot)
        assert refused.json()["hint"]
        db.execute("PRAGMA max_page_count = 1000000")
        while not recorder.recording:
            await station.http.get("/v1/health")
        assert (await station.get("/v1/health"))["problem"] is None


async def test_every_route_is_in_the_index(tmp_path: Path) -> None:
    """What the index lists is what there is, method by method, and each answer to looking is JSON."""
    async with at_work(tmp_path) as station:
        index = (await station.get("/v1"))["routes"]
        described = (await station.get("/v1/openapi.json"))["paths"]
    there = {f"{method.upper()} {path}" for path, ways in described.items() for method in ways}
    assert there | {"GET /v1/openapi.json"} == set(index)


async def test_nothing_is_loaded_from_elsewhere(tmp_path: Path) -> None:
    """The description names no other host, and the pages that would load scripts from one are not there."""
    async with at_work(tmp_path) as station:
        described = json.dumps(await station.get("/v1/openapi.json"))
        assert "//" not in described
        for path in ("/docs", "/redoc", "/v1/", "/openapi.json"):
            answer = await station.http.get(path)
            assert (answer.status_code, answer.headers["content-type"]) == (404, "application/problem+json")


async def test_unknown_query_keys_are_refused(tmp_path: Path) -> None:
    """A key that means nothing is named rather than passed over, and a method that is not taken says which is."""
    async with at_work(tmp_path) as station:
        for path in ("/v1", "/v1/health", "/v1/gauges", "/v1/gauges/bore-38", "/v1/station"):
            answer = await station.http.get(path, params={"gauge": "bore-38"})
            assert answer.status_code == 422
            assert "'gauge'" in answer.json()["detail"]
            wrong = await station.http.post(path, json={})
            assert (wrong.status_code, wrong.headers["allow"]) == (405, "GET")
            assert wrong.headers["content-type"] == "application/problem+json"
