"""A gauge at its masters as REST shows it: rings that fit, soak, readings with their spread, outcome, what is next."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.bench.state import Shown
from gaugepost.core.bench.trust import moved_k, settles_in_ms
from gaugepost.core.indication import Moment, Temperature
from tests.service.at_work import STATION, AtWork, at_work

SERIAL = {"masters": ["ring-38"], "serials": ["R-4711"]}
SOAKED = STATION.replace(
    'mastering_readings = 2\ndebounce = "0 ms"\n',
    'mastering_readings = 3\ndebounce = "0 ms"\nmastering_soak = "0.2 K"\nmastering_soak_refuses = true\n'
    'mastering_spread_limit = "1 µm"\nmastering_jump_limit = "5 µm"\nmastering_valid_for = "8 h"\n',
).replace('stands_in_for = ["part"]', 'stands_in_for = ["part", "master"]')


async def at(station: AtWork, gauge: str = "bore-38") -> Any:
    """Return what is shown of a gauge at its masters."""
    return await station.get(f"/v1/gauges/{gauge}/mastering")


@pytest.mark.asyncio
async def test_it_says_what_is_next(tmp_path: Path) -> None:
    """From no mastering to a gauge that measures each answer says what is to be done, and until when that counts."""
    async with at_work(tmp_path, SOAKED) as station:
        station.connect()
        before = await at(station)
        assert (before["next"], before["usual"]["mastering"], before["outcome"]) == (
            "mastering",
            "ring-38",
            None,
        )
        await station.http.post("/v1/gauges/bore-38/mastering", json=SERIAL)
        for shown in ("38.0014", "38.0017"):
            await station.shows(shown)
        going = (await at(station))["procedure"]
        assert (going["master"], going["number"], going["wanted"], going["may_finish"]) == (
            "ring-38",
            3,
            3,
            True,
        )
        (read,) = going["sets"]
        assert [each["away"] for each in read["readings"]] == ["+0.2 µm", "+0.5 µm"]
        assert (read["spread"], read["spread_limit"], read["wide"]) == ("0.3 µm", "1.0 µm", False)
        await station.shows("38.0014")
        mastered = await at(station)
        assert (mastered["next"], mastered["outcome"]["code"], mastered["valid_until"]) == (
            "check",
            "accepted",
            None,
        )
        assert mastered["usual"]["check"] == "ring-38"
        await station.http.post("/v1/gauges/bore-38/check", json={"master": "ring-38", "serial": "R-4711"})
        await station.shows("38.0016")
        checked = await at(station)
    assert (checked["next"], checked["judged"], checked["outcome"]["error"]) == ("measuring", True, "+0.1 µm")
    assert checked["outcome"]["sets"][0]["readings"][0]["away"] == "+0.1 µm"
    assert checked["valid_until"] and checked["left"] == ["7 h 59 min to the check at least every 8 h"]


@pytest.mark.asyncio
async def test_a_wide_spread_shows_while_it_grows_and_is_refused(tmp_path: Path) -> None:
    """What goes beyond the spread's limit is marked at the reading that did it, and the refusal names it."""
    async with at_work(tmp_path, SOAKED) as station:
        station.connect()
        await station.http.post("/v1/gauges/bore-38/mastering", json=SERIAL)
        await station.shows("38.0014")
        await station.shows("38.0031")
        assert (await at(station))["procedure"]["sets"][0]["wide"]
        await station.shows("38.0014")
        refused = (await at(station))["outcome"]
    assert refused["code"] == "refused"
    assert any("spread by 0.0017 mm" in why for why in refused["reasons"])
    assert [len(each["readings"]) for each in refused["sets"]] == [3]


@pytest.mark.asyncio
async def test_a_failed_check_leads_back_to_the_ring(tmp_path: Path) -> None:
    """After a check that failed it is said how much is suspect, and the next thing is a mastering."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        await station.shows("38.0100")
        await station.http.post("/v1/gauges/bore-38/check", json={"master": "ring-38", "serial": "R-4711"})
        await station.shows("38.0095")
        failed = await at(station)
    assert (failed["outcome"]["code"], failed["outcome"]["suspect"]["count"]) == ("failed", 1)
    assert failed["outcome"]["error"] == "+8.0 µm"
    assert (failed["next"], failed["valid_until"]) == ("mastering", None)


@pytest.mark.asyncio
async def test_rings_that_fit_come_first(tmp_path: Path) -> None:
    """Where a characteristic names its rings only those fit; how each is confirmed is said, its number is not."""
    text = STATION.replace('gauges = ["bore-38"]\n', 'gauges = ["bore-38"]\nmasters = ["ring-38"]\n')
    async with at_work(tmp_path, text) as station:
        said = (await at(station))["masters"]
        dial = await at(station, "dial-24")
        nobody = await station.http.get("/v1/gauges/none/mastering")
    assert [(each["master"], each["fits"], each["confirmed_by"]) for each in said] == [
        ("ring-38", True, ["serial"]),
        ("ring-37", False, []),
    ]
    assert "bush-bore" in said[1]["why_not"]
    assert "R-4711" not in str(said)
    assert dial["prove_sense"]
    assert nobody.status_code == 404


@pytest.mark.asyncio
async def test_soak_is_drawn_and_waited_for(tmp_path: Path) -> None:
    """Temperatures come with their course; one that moves further than allowed is told, with how long that lasts."""
    async with at_work(tmp_path, SOAKED) as station:
        station.connect()
        for celsius in ("22.0", "21.5"):
            await station.arrives("air-serial", Temperature(Decimal(celsius), b"x"))
        soak = (await at(station))["soak"]
    master = next(each for each in soak["bodies"] if each["body"] == "master")
    assert (master["source"], master["moved"], master["settled"]) == ("assumed", "0.5 K", False)
    assert [each["temperature_c"] for each in master["course"]] == ["22.0", "21.5"]
    assert soak["refuses"] and "still drifts" in soak["drifting"][0]
    assert 590 <= soak["settles_in_s"] <= 601


def test_a_soak_ends_when_it_is_said_to() -> None:
    """Just before the time that is said the window still holds too much, and at that time no more."""
    boot, limit, window = "b", Decimal("0.2"), 600_000

    def moment(clock_ms: int) -> Moment:
        return Moment(clock_ms, clock_ms, boot)

    for course in (
        [(0, "22.0"), (60_000, "21.5"), (120_000, "21.2"), (200_000, "21.1"), (260_000, "21.1")],
        [(0, "21.0"), (300_000, "22.0")],
        [(0, "20.0"), (100_000, "20.1"), (200_000, "20.3"), (300_000, "20.2")],
    ):
        *earlier, (last_ms, last) = [(at, Decimal(celsius)) for at, celsius in course]
        shown = Shown(last, moment(last_ms), tuple(earlier))
        left = settles_in_ms(shown, limit, window, moment(last_ms))
        assert left > 0
        assert moved_k(shown, window, moment(last_ms + left - 1)) > limit
        assert moved_k(shown, window, moment(last_ms + left)) <= limit
        assert settles_in_ms(shown, limit, window, moment(last_ms + left)) == 0
