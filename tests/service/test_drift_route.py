"""REST answers with offsets and deviations over time, as `gaugepost drift` does."""

from pathlib import Path

import pytest

from tests.service.at_work import at_work

pytestmark = pytest.mark.asyncio


async def test_masterings_and_checks_over_time(tmp_path: Path) -> None:
    """Each series comes with what it comes to and its last values; what can't be asked for is refused."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        both = await station.get("/v1/drift")
        deviations = await station.get("/v1/drift", what="deviation", by=["gauge", "operator"], points=0)
        strange = await station.http.get("/v1/drift?by=colour")
        unknown = await station.http.get("/v1/drift?machine=3")
        elsewhere = await station.get("/v1/drift", since="2199-01-01T00:00:00Z")
    assert [(each["what"], each["count"], each["master"]) for each in both["series"]] == [
        ("offset", 1, "ring-38"),
        ("deviation", 1, "ring-38"),
    ]
    (only,) = deviations["series"]
    assert (only["what"], only["points"], "master" in only) == ("deviation", [], False)
    assert (strange.status_code, unknown.status_code) == (422, 422)
    assert elsewhere == {"series": []}
