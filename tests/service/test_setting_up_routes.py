"""REST answers what the page that sets a station up asks: limits as typed, what a table may hold, the file's tables."""

import json
from pathlib import Path
from typing import Any

import pytest

from gaugepost.service.setting_up.limits import limits_answer
from tests.service.at_work import STATION, at_work

JSON = {"Content-Type": "application/json"}


def answered(**said: str) -> Any:
    """Return what the keys `said` come to."""
    return limits_answer(said)


def limits(**said: str) -> tuple[Any, ...]:
    """Return lower, upper and unit of what the keys `said` come to."""
    answer = answered(**said)
    assert answer["findings"] == []
    return answer["lower"], answer["upper"], answer["unit"]


def test_limits_are_those_of_the_station_file() -> None:
    """However they are written, in mm and in inches; the ISO 286 figures are those of the core's own tests."""
    assert limits(limits="38 H7") == ("38.000", "38.025", "mm")
    assert limits(nominal="38 mm", tolerance_class="H7") == ("38.000", "38.025", "mm")
    assert limits(limits="0.8750 in +0.0008/0") == ("0.8750", "0.8758", "in")
    assert limits(nominal="62 mm", upper_deviation="+46 µm", lower_deviation="0 µm") == (
        "62.000", "62.046", "mm",
    )  # fmt: skip
    assert limits(lower="12.4 mm") == ("12.4", None, "mm")
    assert limits(upper="0.26 in", feature="shaft") == (None, "0.26", "in")
    assert limits(limits="38 H7", unit="in") == ("1.49606", "1.49705", "in")


def test_limits_are_told_in_both_units_with_their_deviations() -> None:
    """The tolerance, the deviations in thousandths, and the same in the other unit go along."""
    answer = answered(limits="0.8750 in +0.0008/-0.0002")
    assert answer["tolerance"] == "0.0010"
    assert answer["deviations"] == {"unit": "µin", "lower": "-200", "upper": "+800"}
    assert (answer["other"]["unit"], answer["other"]["lower"], answer["other"]["upper"]) == (
        "mm", "22.220", "22.245",
    )  # fmt: skip
    assert answered(limits="38 H7")["deviations"] == {"unit": "µm", "lower": "0", "upper": "+25"}
    assert answered(limits=">= 12.4 mm")["deviations"] is None


@pytest.mark.parametrize(
    ("said", "key", "write"),
    [
        ({"limits": "38 H7", "feature": "shaft"}, "feature", 'feature = "bore"'),
        ({"limits": "38"}, "limits", "22 mm +0.015/-0.006"),
        ({"limits": "38,025 mm"}, "limits", "point"),
        ({"nominal": "62 mm"}, "tolerance_class", 'tolerance_class = "H7"'),
        ({"nominal": "62", "tolerance_class": "H7"}, "nominal", "62 mm"),
        ({"limits": "38 H7", "lower": "38 mm"}, "lower", "remove"),
        ({"limits": "38 H7", "unit": "ell"}, "unit", "mm"),
        ({}, "", '"38 H7"'),
    ],
)
def test_what_is_wrong_stands_under_its_key(said: dict[str, str], key: str, write: str) -> None:
    """Each finding says what to write instead, and there are no limits then."""
    answer = answered(**said)
    assert "lower" not in answer
    found = [each for each in answer["findings"] if each["key"].removeprefix("characteristics.typed") == key]
    assert found, answer
    assert write in f"{found[0]['finding']} {found[0]['expected']} {found[0]['write']}"


@pytest.mark.asyncio
async def test_the_routes(tmp_path: Path) -> None:
    """Limits, schemas and tables are there for whoever may look; what is not known is told with a hint."""
    async with at_work(tmp_path) as station:
        assert (await station.get("/v1/station/limits", limits="38 H7"))["upper"] == "38.025"
        refused = await station.http.get("/v1/station/limits", params={"limit": "38 H7"})
        assert (refused.status_code, "limits" in refused.json()["hint"]) == (422, True)
        masters = (await station.get("/v1/station/schema", section="masters"))["schema"]
        assert masters["required"] == ["size"]
        kinds = (await station.get("/v1/station/schema", section="destinations"))["schema"]["oneOf"]
        named = {each["properties"]["kind"]["const"]: each["required"] for each in kinds}
        assert {"csv_file", "mqtt", "postgres", "rest_push", "workbook"} <= set(named)
        assert named["mqtt"] == ["kind", "host"]
        assert (await station.http.get("/v1/station/schema", params={"section": "x"})).status_code == 422
        file = await station.get("/v1/station/file")
        assert file["text"] == STATION
        assert file["data"] == str(tmp_path / "data")
        assert file["tables"]["masters"]["ring-38"]["due"] == "2099-03-31"
        (tmp_path / "station.toml").write_text("[station\n")
        assert (await station.get("/v1/station/file"))["tables"] is None


@pytest.mark.asyncio
async def test_a_list_is_looked_over(tmp_path: Path) -> None:
    """The preview has each heading and row, and names the text that its edit is for; no list is refused."""
    async with at_work(tmp_path) as station:
        file = await station.get("/v1/station/file")
        body = {"text": "name,limits,gauge\nA-1,38 H7,bore-38\n,38 H7,bore-38\n"}
        answer = (await station.http.post("/v1/station/list", json=body)).json()
        assert answer["sha256"] == file["sha256"]
        assert [each["key"] for each in answer["headings"]] == ["name", "limits", "gauges"]
        assert [each["state"] for each in answer["rows"]] == ["new", "wrong"]
        assert answer["rows"][0]["limits"] == {"unit": "mm", "lower": "38.000", "upper": "38.025"}
        assert answer["rows"][1]["findings"][0]["column"] == 0
        assert list(answer["change"]["characteristics"]) == ["A-1"]
        for text in ("", "x" * 600_000, "name,limits\n\ud800"):
            refused = await station.http.post(
                "/v1/station/list", content=json.dumps({"text": text}), headers=JSON
            )
            assert (refused.status_code, bool(refused.json()["detail"])) == (422, True)
        longer = json.dumps({"text": "x" * (1 << 20)})
        assert (await station.http.post("/v1/station/list", content=longer, headers=JSON)).status_code == 413
