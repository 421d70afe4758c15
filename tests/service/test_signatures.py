"""Electronic signatures: a person, proven at that moment, signs exactly what is on record, and it stays to be seen.

Sources: 21 CFR 11.50 (name, date and time, meaning), 11.70 (linked so that it can't be cut off or put elsewhere),
11.200(a) (two components).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gaugepost.cli import main
from gaugepost.core.access import Role, Scope
from gaugepost.core.record import Kind, Record
from gaugepost.edge.access import AccessFile, PeopleFile, secret
from gaugepost.edge.evidence.reading import all_held
from gaugepost.edge.evidence.signatures import held
from gaugepost.edge.journal import Journal, Reader
from tests.service.at_work import AtWork, at_work
from tests.service.test_people import OTHER, PIN, sign_in

pytestmark = pytest.mark.asyncio
CODE = "badge-7f3a91c2"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash at little cost: what it costs is held by tests/edge/test_secret.py."""
    monkeypatch.setattr(secret, "_LOG_N", 4)


def people(folder: Path) -> PeopleFile:
    """Add an operator and a setter with names in print, and somebody without one."""
    file = PeopleFile(folder / "data")
    file.add("M1", Role.SETTER, 1, "test", pin=OTHER, name="Jona Example")
    file.add("M2", Role.OPERATOR, 1, "test", pin=PIN, code=CODE, name="Mara Example")
    file.add("M3", Role.OPERATOR, 1, "test", pin=PIN)
    return file


async def measured(station: AtWork, browser: httpx.AsyncClient) -> list[dict[str, Any]]:
    """Have three pieces of a lot measured; return the readings."""
    station.connect("bore-serial")
    for piece in ("1", "2", "3"):
        said = {"lot": "L-7", "piece": piece, "characteristic": "bush-bore"}
        assert (await browser.put("/v1/tags", json=said)).status_code == 200
        await station.shows(f"38.01{piece}")
    readings: list[dict[str, Any]] = (await station.get("/v1/records", kind="reading"))["records"]
    return readings


async def signs(browser: httpx.AsyncClient, who: str = "M2", pin: str = PIN, **said: Any) -> httpx.Response:
    """Sign, as review where nothing else is said."""
    return await browser.post("/v1/signatures", json={"meaning": "review", "id": who, "pin": pin, **said})


async def test_a_signature_shows_who_when_and_what_it_means(tmp_path: Path) -> None:
    """A record of its own with printed name, time and meaning, on a result, a piece, a lot or a span."""
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        first, _, last = await measured(station, browser)
        for what, said, count in (
            ("record", {"record": first["id"]}, 1),
            ("span", {"first": str(first["sequence"]), "last": last["id"]}, None),
            ("piece", {"lot": "L-7", "piece": "2"}, None),
            ("lot", {"lot": "L-7", "reason": "looked at all"}, None),
        ):
            answer = await signs(browser, **said)
            assert answer.status_code == 200, answer.text
            (made,) = answer.json()["records"]
            record = await station.get(f"/v1/records/{made}")
            assert record["kind"] == "signature"
            assert (record["operator"], record["printed_name"]) == ("M2", "Mara Example")
            assert (record["meaning"], record["code"]) == ("review", what)
            assert count in (None, record["count"])
            assert record["measured_at"]
        listed = (await station.get("/v1/signatures"))["signatures"]
        assert [each["what"] for each in listed] == ["lot", "piece", "span", "record"]
        assert {(each["holds"], each["standing"]) for each in listed} == {(True, "as signed")}
        of_first = (await station.get("/v1/signatures", record=first["id"]))["signatures"]
        assert [each["what"] for each in of_first] == ["lot", "span", "record"]


async def test_what_is_changed_later_is_seen(tmp_path: Path) -> None:
    """Nothing of a signature is written again: what was amended, voided or added since is told with it."""
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        first, second, third = await measured(station, browser)
        for said in ({"record": first["id"]}, {"record": second["id"]}, {"lot": "L-7"}):
            assert (await signs(browser, **said)).status_code == 200
        before = [each["hash"] for each in (await station.get("/v1/records", kind="signature"))["records"]]
        moved = {"piece": "9", "reason": "called out wrong"}
        assert (await browser.post(f"/v1/records/{first['id']}/amendment", json=moved)).status_code == 200
        assert (
            await browser.post(f"/v1/records/{second['id']}/void", json={"reason": "chip"})
        ).status_code == 200
        await station.shows("38.019")
        lot, of_second, of_first = (await station.get("/v1/signatures"))["signatures"]
        assert of_first["standing"] == "signed before an amendment"
        assert of_second["standing"] == "signed before a void"
        assert lot["standing"] == "signed before an amendment and a void and 1 more record"
        assert all(each["holds"] for each in (lot, of_second, of_first))
        after = [each["hash"] for each in (await station.get("/v1/records", kind="signature"))["records"]]
        assert after == before
        assert (await signs(browser, record=first["id"])).status_code == 409, (
            "what was replaced is signed no more"
        )
        assert (await signs(browser, record=third["id"])).status_code == 200


async def test_a_signature_takes_both_components(tmp_path: Path) -> None:
    """Signed in is not enough: id and PIN, or id and code, once more; neither a token nor another's PIN signs."""
    people(tmp_path)
    token = AccessFile(tmp_path / "data").grant("cell-7", scope=Scope.SET_UP, now_ms=1)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        first, *_ = await measured(station, browser)
        body = {"record": first["id"], "meaning": "review"}
        for said, status in (
            ({}, 422),
            ({"id": "M2"}, 422),
            ({"pin": PIN}, 422),
            ({"code": CODE}, 422),
            ({"id": "M2", "pin": PIN, "code": CODE}, 422),
            ({"id": "M2", "pin": OTHER}, 409),
            ({"id": "M1", "pin": OTHER}, 403),
            ({"id": "M2", "code": "badge-of-nobody"}, 409),
            ({"id": "M2", "code": CODE}, 200),
            ({"id": "M2", "pin": PIN}, 200),
        ):
            answer = await browser.post("/v1/signatures", json={**body, **said})
            assert answer.status_code == status, (said, answer.text)
            assert PIN not in answer.text
            assert CODE not in answer.text
        bearer = {"Authorization": f"Bearer {token}"}
        answer = await station.http.post(
            "/v1/signatures", json={**body, "id": "M2", "pin": PIN}, headers=bearer
        )
        assert answer.status_code == 409
        assert "only a person signs" in answer.json()["detail"]
        log = [each async for each in _kinds(station)]
        assert log.count("signature") == 2


async def _kinds(station: AtWork) -> Any:
    for record in (await station.get("/v1/records", limit=1000))["records"]:
        yield record["kind"]


async def test_who_may_sign_as_what(tmp_path: Path) -> None:
    """An operator reviews and authors, a setter approves and is responsible; without a name in print none signs."""
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        first, *_ = await measured(station, browser)
        for meaning, status in (
            ("review", 200),
            ("authorship", 200),
            ("approval", 409),
            ("responsibility", 409),
        ):
            answer = await signs(browser, record=first["id"], meaning=meaning)
            assert answer.status_code == status, answer.text
        assert (await signs(browser, record=first["id"], meaning="seen")).status_code == 422
        for said, status in (
            ({"record": "1"}, 409),
            ({"record": "999"}, 404),
            ({"lot": "L-8"}, 409),
            ({"piece": "1"}, 422),
            ({"first": "9", "last": "3"}, 422),
            ({}, 422),
            ({"record": first["id"], "lot": "L-7"}, 422),
        ):
            assert (await signs(browser, **said)).status_code == status, said
        async with sign_in(station, "M1", OTHER) as setter:
            for meaning in ("approval", "responsibility"):
                assert (await signs(setter, "M1", OTHER, lot="L-7", meaning=meaning)).status_code == 200
        async with sign_in(station, "M3") as unnamed:
            answer = await signs(unnamed, "M3", record=first["id"])
            assert (answer.status_code, "no name in print" in answer.text) == (409, True)


async def test_a_signature_fits_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Put elsewhere, or kept while what it signs is exchanged, it does not hold, however the chain was made anew."""
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        first, second, _ = await measured(station, browser)
        for said in ({"record": first["id"]}, {"lot": "L-7"}):
            assert (await signs(browser, **said)).status_code == 200
    data = tmp_path / "data"
    assert main(["verify", str(data)]) == 0
    assert "2 of 2 signatures held" in capsys.readouterr().out

    def put_elsewhere(records: list[Record]) -> None:
        at = next(at for at, each in enumerate(records) if each.kind is Kind.SIGNATURE)
        other = second["sequence"]
        records[at] = replace(records[at], first=other, last=other, members=(other,))

    def exchange(records: list[Record]) -> None:
        records[first["sequence"] - 1] = replace(records[first["sequence"] - 1], operator="M9")

    for name, forge in (("elsewhere", put_elsewhere), ("exchanged", exchange)):
        folder = written_anew(data, tmp_path / name, forge)
        with closing(Reader(folder)) as reader:
            found = all_held([reader])
            assert [each.holds for each in found].count(False) >= 1
            assert found == [held(reader, each.entry) for each in found]
        assert main(["verify", str(folder)]) == 1
        assert "what it signs is not what is here" in capsys.readouterr().out


def written_anew(data: Path, folder: Path, forge: Any) -> Path:
    """Return a journal with records as `forge` leaves them, its chain made anew from the very same beginning."""
    with closing(Reader(data)) as reader:
        records = [entry.record for entry in reader.replay()]
        epoch, station = str(reader.epoch), reader.station
    forge(records)
    path = folder / "journal.db"
    Journal.open(path, station).close()
    with closing(sqlite3.connect(path)) as db:
        db.execute("UPDATE journal SET epoch = ?", (epoch,))
        db.commit()
    with closing(Journal.open(path, station)) as journal:
        journal.append(records)
    return folder
