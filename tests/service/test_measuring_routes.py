"""What whoever measures is shown: what comes next, the piece, the lot, a run chart; as things stand by now."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gaugepost.service.measuring.at_hand import AtHand
from tests.service.at_work import STATION, AtWork, at_work

pytestmark = pytest.mark.asyncio

SURE = STATION.replace(
    'check_limit = "2 µm"\nmastering_readings = 2',
    'check_limit = "2 µm"\nmastering_readings = 2\nresolution = "0.0001 mm"\nmaximum_error = "1 µm"\n'
    'repeatability = "0.5 µm"\nmaterial = "gauge steel"',
    1,
).replace(
    'limits = "38 H7"',
    'limits = "38 H7"\npart_material = "aluminium 6061"\n'
    'decision_rule = "guarded acceptance by expanded uncertainty"',
)
SURE = SURE.replace(
    'serial_number = "R-4711"',
    'serial_number = "R-4711"\nmaterial = "gauge steel"\ncalibrated = 2026-01-31\ndrift_per_year = "0.2 µm"',
).replace(
    "[temperatures.gauge]",
    '[temperatures.part]\nvalue = "20.8 °C"\nspread = "0.5 K"\n[temperatures.master]\nvalue = "20.4 °C"\n'
    'spread = "0.3 K"\n[temperatures.gauge]',
)
SURE = SURE.replace('stands_in_for = ["part"]\nspread = "0.5 K"\n', "")
"""The same station with everything declared that an uncertainty takes."""

TWO_PLACES = STATION.replace('limits = "38 H7"', 'limits = "38 H7"\npositions = ["top", "bottom"]')


async def begun(station: AtWork, lot: str = "L1", piece: str = "1") -> None:
    """Master and check, and take a piece up."""
    station.connect()
    await station.master()
    await tags(station, operator="M2", lot=lot, piece=piece)


async def tags(station: AtWork, **said: str) -> None:
    """Say what is in hand."""
    assert (await station.http.put("/v1/tags", json=said)).status_code == 200


async def row(station: AtWork, name: str = "bush-bore") -> Any:
    """Return where a characteristic of the piece in hand stands."""
    piece = (await station.get("/v1/measuring"))["piece"]
    return next(each for each in piece["characteristics"] if each["characteristic"] == name)


async def cells(station: AtWork) -> dict[str, list[tuple[str | None, int]]]:
    """Return the lot's grid: by piece, each characteristic's word and attempt."""
    lot = await station.get("/v1/measuring/lot")
    return {
        each["piece"]: [(cell["word"], cell["attempt"]) for cell in each["cells"]] for each in lot["pieces"]
    }


async def test_before_anything_it_says_what_to_do(tmp_path: Path) -> None:
    """At a station where nothing happened yet, the gauge's reasons and its limits are there already."""
    async with at_work(tmp_path) as station:
        now = await station.get("/v1/measuring")
        assert now["gauge"] == "bore-38"
        assert (now["judged"], now["reasons"]) == (False, ["not mastered"])
        assert now["next"]["characteristic"] == "bush-bore"
        assert now["next"]["limits"]["shown"] == {"lower": "38.000", "upper": "38.025"}
        assert (now["last"], now["piece"], now["next_piece"]) == (None, None, "1")
        assert await cells(station) == {}


async def test_the_last_measurement_is_ready_to_be_read(tmp_path: Path) -> None:
    """The value is text, rounded once, with its word; the record it comes from is there whole beside it."""
    async with at_work(tmp_path) as station:
        await begun(station)
        await station.shows("38.0134")
        last = (await station.get("/v1/measuring"))["last"]
        assert last["shown"]["word"] == "in-limits"
        assert (last["shown"]["value"], last["shown"]["unit"], last["shown"]["deviation"]) == (
            "38.013",
            "mm",
            "+0.013",
        )
        assert last["shown"]["indication"] == "38.0134 mm"
        assert last["shown"]["frame"] == {
            "text": "38.0134 mm\\r\\n",
            "hex": "33 38 2E 30 31 33 34 20 6D 6D 0D 0A",
        }
        record = await station.get(f"/v1/records/{last['id']}/shown")
        assert record["shown"] == last["shown"]
        assert record["replaced_by"] is None


async def test_the_gauge_used_last_leads(tmp_path: Path) -> None:
    """Without a gauge named it is the one that was used last; named, it is that one, and an unknown one is refused."""
    async with at_work(tmp_path) as station:
        await begun(station)
        await station.shows("38.0130")
        assert (await station.get("/v1/measuring"))["gauge"] == "bore-38"
        await station.shows("0.0010", "dial-serial")
        assert (await station.get("/v1/measuring"))["gauge"] == "dial-24"
        assert (await station.get("/v1/measuring", gauge="bore-38"))["last"]["shown"]["value"] == "38.013"
        refused = await station.http.get("/v1/measuring?gauge=bore-3")
        assert (refused.status_code, refused.json()["hint"]) == (404, "did you mean bore-38?")


async def test_a_piece_shows_every_place_and_attempt(tmp_path: Path) -> None:
    """A good word comes only once every place is measured, a bad one at once; another attempt replaces it."""
    async with at_work(tmp_path, TWO_PLACES) as station:
        await begun(station)
        assert ((await row(station))["taken"], (await row(station))["wanted"]) == (0, 2)
        await station.shows("38.0130")
        now = await row(station)
        assert (now["taken"], now["word"], now["done"]) == (1, None, False)
        await station.shows("38.0400")
        assert ((await row(station))["word"], (await row(station))["done"]) == ("oversize", True)
        await tags(station, position="bottom")
        await station.shows("38.0150")
        now = await row(station)
        assert (now["word"], now["attempt"]) == ("in-limits", 2)
        assert [each["attempt"] for each in now["measurements"]] == [1, 1, 2]
        assert await cells(station) == {"1": [("in-limits", 2), (None, 1)]}


async def test_voids_and_amendments_show_at_once(tmp_path: Path) -> None:
    """What was voided is open again, what was amended stands at its right piece, and both stay in sight."""
    async with at_work(tmp_path) as station:
        await begun(station)
        await station.shows("38.0130")
        first = (await station.get("/v1/measuring"))["last"]["id"]
        assert (await cells(station))["1"][0] == ("in-limits", 1)
        said = {"piece": "2", "reason": "it was the other one", "operator": "M2"}
        assert (await station.http.post(f"/v1/records/{first}/amendment", json=said)).status_code == 200
        assert (await row(station))["taken"] == 0
        assert (await row(station))["measurements"][0]["replaced"] == "amendment"
        grid = await cells(station)
        assert (grid["1"][0][0], grid["2"][0][0]) == (None, "in-limits")
        await station.shows("38.0140")
        second = (await station.get("/v1/measuring"))["last"]["id"]
        void = {"reason": "chip", "operator": "M2"}
        assert (await station.http.post(f"/v1/records/{second}/void", json=void)).status_code == 200
        assert (await cells(station))["1"][0][0] is None
        assert (await station.get("/v1/measuring"))["last"]["replaced"] == "void"


async def test_a_failed_check_casts_doubt_until_it_is_lifted(tmp_path: Path) -> None:
    """What was measured since the last good check is suspect once one fails, and counts again once lifted."""
    async with at_work(tmp_path) as station:
        await begun(station)
        await station.shows("38.0130")
        for shown in ("38.0400", "38.0015"):
            said = {"master": "ring-38", "serial": "R-4711", "operator": "M2"}
            assert (await station.http.post("/v1/gauges/bore-38/check", json=said)).status_code == 200
            await station.shows(shown)
            assert (await cells(station))["1"][0][0] == "suspect"
        (mark,) = (await station.get("/v1/records", kind="suspect"))["records"]
        lifting = {"reason": "a chip on the ring", "operator": "M2"}
        lifted = await station.http.post(f"/v1/records/{mark['id']}/lifting", json=lifting)
        assert lifted.status_code == 200, lifted.text
        assert (await cells(station))["1"][0][0] == "in-limits"


async def test_followed_or_looked_at_anew_it_is_the_same(tmp_path: Path) -> None:
    """Whoever followed the lot from its beginning is shown what somebody is who comes only now."""
    async with at_work(tmp_path, TWO_PLACES) as station:
        await begun(station)
        followed = AtHand(station.running)
        for at, digits in enumerate(("38.0130", "38.0400", "38.0110", "38.0120", "38.0131")):
            await station.shows(digits)
            followed.lot()
            if at == 1:
                last = (await station.get("/v1/measuring"))["last"]["id"]
                await station.http.post(f"/v1/records/{last}/void", json={"reason": "chip", "operator": "M2"})
            if at == 2:
                await tags(station, piece="2")
                last = (await station.get("/v1/measuring"))["last"]["id"]
                said = {"piece": "7", "reason": "another", "operator": "M2"}
                await station.http.post(f"/v1/records/{last}/amendment", json=said)
            followed.now(None)
        anew = AtHand(station.running)
        assert followed.lot() == anew.lot()
        assert followed.now(None) == anew.now(None)
        await tags(station, lot="L2")
        assert followed.lot() == anew.lot()
        await tags(station, lot="L1")
        assert followed.lot() == AtHand(station.running).lot()
        assert len(anew.lot()["pieces"]) == 3  # type: ignore[arg-type]


async def test_the_zone_shown_before_is_the_one_that_counts(tmp_path: Path) -> None:
    """The acceptance limits that are shown before a reading are those that the reading is then decided by."""
    async with at_work(tmp_path, SURE) as station:
        await begun(station)
        before = (await station.get("/v1/measuring"))["next"]["zone"]
        await station.shows("38.0130")
        last = (await station.get("/v1/measuring"))["last"]
        for name in ("lower_acceptance", "upper_acceptance"):
            assert before[name] == last[name]
            assert before["shown"][name] == last["shown"][name]
        assert last["shown"]["uncertainty"].endswith(" µm")


async def test_a_run_chart_keeps_what_was_replaced(tmp_path: Path) -> None:
    """Points come in order with limits; a void stays and says so, and what happened to the gauge stands between."""
    async with at_work(tmp_path) as station:
        await begun(station)
        for digits in ("38.0130", "38.0400"):
            await station.shows(digits)
        last = (await station.get("/v1/measuring"))["last"]["id"]
        await station.http.post(f"/v1/records/{last}/void", json={"reason": "chip", "operator": "M2"})
        said = {"what": "knock", "operator": "M2"}
        await station.http.post("/v1/gauges/bore-38/reports", json=said)
        await station.shows("38.0140")
        chart = await station.get("/v1/characteristics/bush-bore/run-chart")
        assert [(each["shown"]["value"], each["word"], each["replaced"]) for each in chart["points"]] == [
            ("38.013", "in-limits", None),
            ("38.040", "oversize", "void"),
            ("38.014", "not-judged", None),
        ]
        assert [(mark["kind"], mark["code"]) for mark in chart["marks"]] == [("report", "knock")]
        assert chart["points"][1]["sequence"] < chart["marks"][0]["sequence"] < chart["points"][2]["sequence"]
        few = await station.get("/v1/characteristics/bush-bore/run-chart", last=1, lot="L1")
        assert len(few["points"]) == 1
        none = await station.get("/v1/characteristics/bush-bore/run-chart", lot="L9")
        assert (none["points"], none["marks"]) == ([], [])
        assert (await station.http.get("/v1/characteristics/bush-bor/run-chart")).status_code == 404
        assert (await station.http.get("/v1/characteristics/bush-bore/run-chart?last=0")).status_code == 422


async def test_what_is_not_judged_is_no_progress(tmp_path: Path) -> None:
    """Readings that will not be combined leave the piece where it is, as what comes next says."""
    three = STATION.replace('limits = "38 H7"', 'limits = "38 H7"\nreadings = 3\ncombine = "mean"')
    assert three != STATION
    async with at_work(tmp_path, three) as station:
        await begun(station)
        await station.http.post("/v1/gauges/bore-38/reports", json={"what": "knock", "operator": "M2"})
        for digits in ("38.0130", "38.0140", "38.0150"):
            await station.shows(digits)
        seen = await station.get("/v1/measuring")
        row = seen["piece"]["characteristics"][0]
        assert (row["taken"], row["wanted"], row["word"]) == (0, 3, "not-judged")


async def test_a_gauge_has_its_last_frame(tmp_path: Path) -> None:
    """A gauge's document has the last frame as bytes and what became of it, and how long its check lasts."""
    async with at_work(tmp_path) as station:
        await begun(station)
        await station.shows("38.0130")
        gauge = await station.get("/v1/gauges/bore-38")
        assert gauge["last_frame"]["shown"]["frame"]["text"] == "38.0130 mm\\r\\n"
        assert gauge["last_frame"]["shown"]["word"] == "in-limits"
        assert gauge["last_condition"] is None
        assert all("to the check" in each for each in gauge["check_left"])
