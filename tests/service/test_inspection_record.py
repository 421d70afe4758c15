"""The record of a lot or piece over REST: the journal's own numbers, all attempts and voids, what they rest on."""

from __future__ import annotations

from pathlib import Path

import pytest

from gaugepost.edge.access import secret
from tests.service.at_work import at_work
from tests.service.test_people import sign_in
from tests.service.test_signatures import measured, people, signs

pytestmark = pytest.mark.asyncio


async def test_nothing_that_was_measured_is_left_out(tmp_path: Path) -> None:
    """Each reading of the lot is there with the published numbers, voids with who and why, and what it rests on."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        for piece, shown in (("1", "38.0121"), ("2", "38.0400"), ("2", "38.0110")):
            await station.http.put("/v1/tags", json={"operator": "M2", "lot": "L-1", "piece": piece})
            await station.shows(shown)
        second = (await station.get("/v1/records", kind="reading"))["records"][1]
        await station.http.post(f"/v1/records/{second['id']}/void", json={"reason": "a chip was on it"})
        await station.http.put("/v1/tags", json={"lot": "L-2", "piece": "1"})
        await station.shows("38.0105")
        said = await station.get("/v1/measuring/record", lot="L-1")
        only = await station.get("/v1/measuring/record", lot="L-1", piece="2")
        published = (await station.get("/v1/records", kind="reading", lot="L-1"))["records"]
    measured = [one for each in said["pieces"] for one in each["measurements"]]
    assert [(one["id"], one["sequence"]) for one in measured] == [
        (one["id"], one["sequence"]) for one in published
    ]
    assert [one["verdict"] for one in measured] == ["in-limits", "oversize", "in-limits"]
    assert [one["shown"]["indication"] for one in measured] == ["38.0121 mm", "38.0400 mm", "38.0110 mm"]
    void = measured[1]["replaced"]
    assert (void["kind"], void["operator"], void["text"]) == ("void", "M2", "a chip was on it")
    assert [(each["piece"], each["word"]) for each in said["pieces"]] == [
        ("1", "in-limits"),
        ("2", "in-limits"),
    ]
    assert [each["piece"] for each in only["pieces"]] == ["2"]
    (ring,) = said["masters"]
    assert (ring["size"], ring["uncertainty"], ring["coverage_factor"]) == ("38.0012 mm", "0.8 µm", "2")
    assert [each["gauge"] for each in said["gauges"]] == ["bore-38"]
    assert {one["mastering"] for one in measured} == {each["sequence"] for each in said["masterings"]}
    assert said["signatures"] == []
    assert len(said["head_hash"]) == 64


async def test_a_lot_without_measurements(tmp_path: Path) -> None:
    """A lot that nobody measured is an empty record; one that asks for more than lot and piece is refused."""
    async with at_work(tmp_path) as station:
        empty = await station.get("/v1/measuring/record", lot="none / at all")
        strange = await station.http.get("/v1/measuring/record?gauge=bore-38")
    assert (empty["pieces"], empty["masters"], empty["left_out"]) == ([], [], False)
    assert strange.status_code == 422


async def test_signatures_on_it_are_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who signed the lot, a piece or a span with some of it stands below; on another's record they do not."""
    monkeypatch.setattr(secret, "_LOG_N", 4)
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        first, second, _ = await measured(station, browser)
        for said in (
            {"lot": "L-7", "piece": "2"},
            {"first": first["id"], "last": first["id"]},
            {"lot": "L-7"},
        ):
            assert (await signs(browser, **said)).status_code == 200
        whole = (await station.get("/v1/measuring/record", lot="L-7"))["signatures"]
        of_second = (await station.get("/v1/measuring/record", lot="L-7", piece="2"))["signatures"]
        other = (await station.get("/v1/measuring/record", lot="L-8"))["signatures"]
        await browser.post(f"/v1/records/{second['id']}/void", json={"reason": "the wrong piece"})
        after = (await station.get("/v1/measuring/record", lot="L-7"))["signatures"]
    assert [(each["what"], each["printed_name"], each["holds"]) for each in whole] == [
        ("piece", "Mara Example", True),
        ("span", "Mara Example", True),
        ("lot", "Mara Example", True),
    ]
    assert [each["what"] for each in of_second] == ["piece", "lot"]
    assert other == []
    assert [each["standing"] for each in after][1:] == ["as signed", "signed before a void"]
