"""REST answers what a decision rule risks, for a characteristic of the station in force."""

from decimal import Decimal as D
from pathlib import Path

import pytest

from gaugepost.core.conformity import SIMPLE, Doubt, parse_rule
from gaugepost.core.conformity.risk import Process, global_risks
from tests.service.at_work import at_work

pytestmark = pytest.mark.asyncio

ASKED = {"standard_uncertainty": "0.9 µm", "process_mean": "38.012 mm", "process_spread": "4 µm"}


async def test_risks_are_those_of_the_characteristics_own_rule(tmp_path: Path) -> None:
    """Without a rule in the question the characteristic's own answers, with one that; the numbers are the core's."""
    async with at_work(tmp_path) as station:
        name = (await station.get("/v1/characteristics"))["characteristics"][0]["characteristic"]
        path = f"/v1/characteristics/{name}/risk"
        own = (await station.http.get(path, params=ASKED)).json()
        guarded = "guarded acceptance by factor 1.65"
        other = (await station.http.get(path, params=ASKED | {"rule": guarded, "value": "38.0242 mm"})).json()
    process, doubt = Process(D("38.012"), 0.004), Doubt(0.0009)
    for answer, rule in ((own, SIMPLE), (other, parse_rule(guarded))):
        risks = global_risks(rule, D("38.000"), D("38.025"), doubt, process)
        assert (answer["characteristic"], answer["rule"]) == (name, str(rule))
        assert answer["consumers_risk"] == pytest.approx(risks.consumer, rel=1e-5)
        assert answer["producers_risk"] == pytest.approx(risks.producer, rel=1e-5)
    assert "decision" not in own
    assert other["decision"] == "undecided"


@pytest.mark.parametrize(
    ("changes", "status", "detail"),
    [
        ({"process_mean": "38.012"}, 422, "'38.012' has no unit"),
        ({"rule": "guarded"}, 422, "'guarded' is not a decision rule"),
        ({"process_spreads": "4 µm"}, 422, "'process_spreads' can't be asked for"),
    ],
)
async def test_a_question_that_is_not_understood_is_a_problem(
    tmp_path: Path, changes: dict[str, str], status: int, detail: str
) -> None:
    """What can't be meant is said as problem details with a hint, and so is a characteristic that is not there."""
    async with at_work(tmp_path) as station:
        name = (await station.get("/v1/characteristics"))["characteristics"][0]["characteristic"]
        answer = await station.http.get(f"/v1/characteristics/{name}/risk", params=ASKED | changes)
        nobody = await station.http.get("/v1/characteristics/nothing/risk", params=ASKED)
    assert answer.headers["content-type"] == "application/problem+json"
    assert (answer.status_code, nobody.status_code) == (status, 404)
    assert detail in answer.json()["detail"]
    assert answer.json()["hint"]
