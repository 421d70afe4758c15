"""Commands that come by other ways than REST: when each is carried out, what is remembered, and for how long."""

from __future__ import annotations

import argparse
import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from gaugepost.commands import bench
from gaugepost.core.access import Role
from gaugepost.edge.access import PeopleFile
from gaugepost.service import Commands
from gaugepost.service.commands import asked
from tests.service.at_work import AtWork, at_work

pytestmark = pytest.mark.asyncio


def body(**said: Any) -> bytes:
    return json.dumps(said).encode()


async def records(station: AtWork, kind: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = (await station.get("/v1/records", kind=kind))["records"]
    return found


async def test_an_answer_names_the_records_that_are_on_disk(tmp_path: Path) -> None:
    """When the answer is there, so are the records that it names, and no others were made."""
    async with at_work(tmp_path) as station:
        commands = Commands(station.running)
        answer = await commands.carry_out("set", body(request="a", lot="L1"), by="plant")
        assert answer == {
            "command": "set",
            "request": "a",
            "accepted": True,
            "text": answer["text"],
            "records": [each["id"] for each in await records(station, "tags")],
        }
        assert len(await records(station, "tags")) == 1
        over_rest = (await station.http.put("/v1/tags", json={"lot": "L2"})).json()
        assert over_rest["records"] == [(await records(station, "tags"))[1]["id"]]


async def test_one_at_a_time_in_order(tmp_path: Path) -> None:
    """Commands that come at once are recorded in the order in which they came, and a repeat among them once."""
    async with at_work(tmp_path) as station:
        commands = Commands(station.running)
        said = [("set", body(request=f"r{at}", piece=str(at))) for at in range(20)]
        answers = await asyncio.gather(
            *(commands.carry_out(*each, by="plant") for each in [*said, said[3], *said])
        )
        assert [each["piece"] for each in await records(station, "tags")] == [str(at) for at in range(20)]
        assert answers[:20] == answers[21:]
        assert answers[20] == answers[3]


async def test_what_could_not_be_recorded_can_be_said_again(tmp_path: Path) -> None:
    """On a full disk a command is answered 503 and is not held against its request: with room it is carried out."""
    async with at_work(tmp_path) as station:
        commands, recorder = Commands(station.running), station.running.recorder
        db = station.journal._db
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        db.execute(f"PRAGMA max_page_count = {pages}")
        last: dict[str, Any] = {}
        for turn in range(500):
            last = {"request": f"r{turn}", "lot": f"{turn} {'x' * 50}"}
            answer = await commands.carry_out("set", body(**last), by="plant")
            if answer.get("status") == 503:
                break
            assert answer["accepted"] is True
        assert answer["status"] == 503
        assert answer["hint"]
        db.execute("PRAGMA max_page_count = 1000000")
        async with asyncio.timeout(30):
            while not recorder.recording:  # noqa: ASYNC110 - nothing tells of it
                await asyncio.sleep(0.01)
        assert (await commands.carry_out("set", body(**last), by="plant"))["accepted"] is True
        assert recorder.state.lot == last["lot"]


async def test_the_memory_of_requests_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So many requests are remembered, the latest; what is older counts as new."""
    monkeypatch.setattr(asked, "MOST_REMEMBERED", 3)
    async with at_work(tmp_path) as station:
        commands = Commands(station.running)
        for request in ("a", "b", "c", "d", "b", "a"):
            await commands.carry_out("set", body(request=request, lot=f"L {request}"), by="plant")
        lots = [each["lot"] for each in await records(station, "tags")]
        assert lots == ["L a", "L b", "L c", "L d", "L a"]


async def test_a_refusal_is_remembered_too(tmp_path: Path) -> None:
    """A repeat of a refused command stays refused, though it could be carried out by now: it is the same asking."""
    check = body(request="c", gauge="bore-38", master="ring-38", serial="R-4711")
    async with at_work(tmp_path) as station:
        commands = Commands(station.running)
        station.connect()
        refused = await commands.carry_out("check", check, by="plant")
        assert (refused["status"], refused["request"]) == (409, "c")
        await station.master()
        assert await commands.carry_out("check", check, by="plant") == refused
        again = check.replace(b'"c"', b'"d"')
        assert (await commands.carry_out("check", again, by="plant"))["accepted"] is True


async def test_the_commands_are_those_of_the_command_line() -> None:
    """What can be commanded by topic has the names of `gaugepost bench`, and there is nothing less."""
    parser = argparse.ArgumentParser()
    bench.add_arguments(parser)
    (actions,) = [each for each in parser._actions if isinstance(each, argparse._SubParsersAction)]
    assert set(actions.choices) - {"show", "suspects"} == set(asked.COMMANDS)  # those only look


async def test_a_broker_is_nobody(tmp_path: Path) -> None:
    """Where the station has people, a command by a broker stands by the destination's name and claims no person."""
    PeopleFile(tmp_path / "data").add("M2", Role.OPERATOR, 1, "test", pin="483920")
    async with at_work(tmp_path) as station:
        commands = Commands(station.running)
        said = {"gauge": "bore-38", "what": "knock"}
        claimed = await commands.carry_out("report", body(request="a", operator="M2", **said), by="plant")
        assert claimed["status"] == 403
        told: Any = await commands.carry_out("report", body(request="b", **said), by="plant")
        (record,) = told["records"]
        assert (await station.get(f"/v1/records/{record}"))["operator"] == "plant"
