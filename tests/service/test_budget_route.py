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
