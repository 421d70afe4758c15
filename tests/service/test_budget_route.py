"""REST answers with the uncertainty budget of a characteristic as things stand, or says why there is none."""

from pathlib import Path

import pytest

from tests.service.at_work import at_work

pytestmark = pytest.mark.asyncio


async def test_a_budget_is_stated_or_says_what_is_missing(tmp_path: Path) -> None:
    """A station that declares nothing for it has no uncertainty, and the answer lists what to declare."""
    async with at_work(tmp_path) as station:
        name = (await station.get("/v1/characteristics"))["characteristics"][0]["characteristic"]
        said = (await station.http.get(f"/v1/characteristics/{name}/budget")).json()
        strange = await station.http.get(f"/v1/characteristics/{name}/budget", params={"gauge": "nobody"})
        nowhere = await station.http.get("/v1/characteristics/nothing/budget")
    assert said["characteristic"] == name
    assert said["stated"] is False
    assert said["reasons"]
    assert (strange.status_code, nowhere.status_code) == (404, 404)


async def test_a_reading_keeps_the_budget_of_its_day(tmp_path: Path) -> None:
    """A reading's own budget says why none was stated then, whatever was mastered since; what is none has none."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.shows("38.0141")
        await station.master()
        readings = (await station.get("/v1/records", kind="reading"))["records"]
        early = await station.get(f"/v1/records/{readings[0]['id']}/budget")
        other = await station.http.get("/v1/records/1/budget")
    assert early["record"] == readings[0]["id"]
    assert early["stated"] is False
    assert "before anything was mastered" in early["reasons"][0]
    assert other.status_code == 404
    assert "is no reading or result of a characteristic" in other.json()["detail"]
