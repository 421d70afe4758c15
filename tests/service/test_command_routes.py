"""Commands over HTTP: done when answered, refused with what to do instead, and never half."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.record import Kind
from gaugepost.edge.journal import Reader
from gaugepost.shell.intake import Intake
from tests.service.at_work import at_work

pytestmark = pytest.mark.asyncio
RING = {"masters": ["ring-38"], "serials": ["R-4711"]}
TEXTS = ["", " ", r"a\nb", r"a\u0000b", "x" * 600, "\u202e", r"\ud800"]
"""As written in JSON: nothing, a line break, a NUL, too much, a turn of the writing direction, half a character."""


async def test_an_answered_command_is_on_disk(tmp_path: Path) -> None:
    """Whoever opens the journal after the answer finds the command's record in it, with who commanded."""
    commands: list[tuple[str, str, dict[str, Any], Kind]] = [
        ("PUT", "/v1/tags", {"operator": "M2", "lot": "L1"}, Kind.TAGS),
        ("POST", "/v1/gauges/bore-38/mastering", RING | {"operator": "M3"}, Kind.MASTERING_BEGUN),
        ("DELETE", "/v1/gauges/bore-38/procedure", {"reason": "wrong ring"}, Kind.ABANDONED),
        ("POST", "/v1/gauges/bore-38/reports", {"what": "knock", "note": "off the table"}, Kind.REPORT),
    ]
    async with at_work(tmp_path) as station:
        station.connect()
        for method, path, said, kind in commands:
            answer = await station.http.request(method, path, json=said)
            assert answer.status_code == 200, answer.text
            assert answer.json()["accepted"] is True
            assert answer.json()["text"]
            with contextlib.closing(Reader(tmp_path / "data")) as reader:
                (entry,) = reader.latest(1)
            assert entry.record.kind is kind
            assert entry.record.operator == said.get("operator", "M2")


@pytest.mark.parametrize("act", ["mastering", "check", "request"])
async def test_a_gauge_that_is_wanted_is_sought(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, act: str
) -> None:
    """Whoever commands something of a gauge that is not connected is refused, and its link is sought at once."""
    sought: list[str] = []
    monkeypatch.setattr(Intake, "seek", lambda intake: sought.append(intake.name))
    async with at_work(tmp_path) as station:
        said = {"mastering": RING, "check": {"master": "ring-38", "serial": "R-4711"}}.get(act, {})
        assert (await station.http.post(f"/v1/gauges/bore-38/{act}", json=said)).status_code == 409
    assert sought == ["bore-serial"]


async def test_a_check_can_be_begun(tmp_path: Path) -> None:
    """A check is begun with the number of readings that was asked for."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        said = {"master": "ring-38", "serial": "R-4711", "readings": 4}
        answer = await station.http.post("/v1/gauges/bore-38/check", json=said)
        assert answer.json()["text"] == "measure ring-38 4 times with bore-38"
        assert (await station.get("/v1/gauges/bore-38"))["procedure"]["of"] == 4


async def test_giving_up_needs_no_body(tmp_path: Path) -> None:
    """A procedure is given up by DELETE alone."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.http.post("/v1/gauges/bore-38/mastering", json=RING)
        answer = await station.http.delete("/v1/gauges/bore-38/procedure")
        assert answer.status_code == 200, answer.text
        again = await station.http.delete("/v1/gauges/bore-38/procedure")
        assert again.status_code == 409


async def test_what_the_bench_refuses(tmp_path: Path) -> None:
    """A refusal of the bench is a conflict that says what to do, and nothing is recorded of it."""
    cases: list[tuple[str, dict[str, Any], str]] = [
        ("bore-38/mastering", RING | {"serials": ["R-4712"]}, "engraved"),
        ("bore-38/mastering", {"masters": ["ring-38"]}, "engraved"),
        ("bore-38/mastering", {"masters": ["ring-83"]}, "ring-38"),
        ("dial-24/mastering", RING, "two masters"),
        ("bore-38/check", {"master": "ring-38", "serial": "R-4711"}, "master it first"),
        ("bore-38/reports", {"what": "nock"}, "knock"),
    ]
    async with at_work(tmp_path) as station:
        station.connect()
        head = await station.running.growth.wait_beyond(4)
        for path, said, hint in cases:
            answer = await station.http.post(f"/v1/gauges/{path}", json=said)
            assert answer.status_code == 409, answer.text
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["title"] == "Conflict"
            assert hint in answer.json()["hint"]
            assert station.running.recorder.state.gauges["bore-38"].procedure is None
            assert (await station.get("/v1/records", after=head))["records"] == []


async def test_commands_to_nobody(tmp_path: Path) -> None:
    """A command to a gauge that is not here is not found, with the nearest name."""
    cases: list[tuple[str, str, dict[str, Any]]] = [
        ("POST", "mastering", RING),
        ("POST", "check", {"master": "ring-38"}),
        ("POST", "reports", {"what": "knock"}),
        ("DELETE", "procedure", {}),
    ]
    async with at_work(tmp_path) as station:
        for method, path, said in cases:
            answer = await station.http.request(method, f"/v1/gauges/bore-83/{path}", json=said)
            assert (answer.status_code, answer.json()["hint"]) == (404, "did you mean bore-38?"), path


async def test_what_is_no_such_command(tmp_path: Path) -> None:
    """A body that is not what the command takes is named by its key."""
    cases: list[tuple[str, dict[str, Any], str]] = [
        ("mastering", {"masters": []}, "masters"),
        ("mastering", {"masters": ["a", "b", "c"]}, "masters"),
        ("mastering", {"masters": "ring-38"}, "masters"),
        ("mastering", {}, "masters"),
        ("mastering", RING | {"readings": 0}, "readings"),
        ("mastering", RING | {"readings": 51}, "readings"),
        ("mastering", RING | {"readings": "3"}, "readings"),
        ("mastering", RING | {"readings": 3.0}, "readings"),
        ("mastering", RING | {"readings": True}, "readings"),
        ("mastering", RING | {"movement": "bigger"}, "movement"),
        ("mastering", RING | {"master": "ring-38"}, "master"),
        ("check", {"master": 38}, "master"),
        ("reports", {"note": "x"}, "what"),
    ]
    async with at_work(tmp_path) as station:
        station.connect()
        for path, said, key in cases:
            answer = await station.http.post(f"/v1/gauges/bore-38/{path}", json=said)
            assert answer.status_code == 422, answer.text
            assert key in answer.json()["detail"]


async def test_what_is_left_out_stays_and_null_clears(tmp_path: Path) -> None:
    """Tags change only where a key is given; null is a key that is given."""
    async with at_work(tmp_path) as station:
        for said, wanted in (
            ({"operator": "M2", "lot": "L1", "piece": "1", "position": "A"}, ("M2", "L1", "1", "A")),
            ({"piece": "2"}, ("M2", "L1", "2", "A")),
            ({"position": None}, ("M2", "L1", "2", None)),
            ({"lot": "L2"}, ("M2", "L2", None, None)),  # a piece is named within its lot
        ):
            answer = await station.http.put("/v1/tags", json=said)
            assert answer.status_code == 200, answer.text
            tags = (await station.get("/v1/station"))["tags"]
            assert tuple(tags[key] for key in ("operator", "lot", "piece", "position")) == wanted


async def test_a_characteristic_is_chosen(tmp_path: Path) -> None:
    """Choosing a characteristic sets the gauges that serve it; one that is not here is refused with those that are."""
    async with at_work(tmp_path) as station:
        chosen = await station.http.put("/v1/tags", json={"characteristic": "bush-bore"})
        assert chosen.status_code == 200
        assert station.running.recorder.state.gauges["bore-38"].characteristic == "bush-bore"
        refused = await station.http.put("/v1/tags", json={"characteristic": "bush"})
        assert refused.status_code == 409
        assert "bush-bore" in refused.json()["hint"]


async def test_tags_that_say_nothing(tmp_path: Path) -> None:
    """An empty body, an unknown key and a value that is no text change nothing."""
    cases: list[dict[str, Any]] = [{}, {"Lot": "L1"}, {"lot": 7}, {"lot": ["L1"]}]
    async with at_work(tmp_path) as station:
        for said in cases:
            answer = await station.http.put("/v1/tags", json=said)
            assert answer.status_code == 422, answer.text
            assert station.running.recorder.state.lot is None


async def test_text_that_can_not_be_printed_is_refused(tmp_path: Path) -> None:
    """Text that no label, page or table can show, half a character among it, never reaches the journal."""
    commands = [
        ("PUT", "/v1/tags", "", "lot"),
        ("PUT", "/v1/tags", "", "operator"),
        ("POST", "/v1/gauges/bore-38/mastering", '"masters": ["ring-38"], ', "operator"),
        ("POST", "/v1/gauges/bore-38/check", '"master": "ring-38", ', "serial"),
        ("POST", "/v1/gauges/bore-38/reports", '"what": "knock", ', "note"),
        ("DELETE", "/v1/gauges/bore-38/procedure", "", "reason"),
    ]
    async with at_work(tmp_path) as station:
        station.connect()
        for text in TEXTS:
            for method, path, others, key in commands:
                body = f'{{{others}"{key}": "{text}"}}'.encode()
                headers = {"Content-Type": "application/json"}
                answer = await station.http.request(method, path, content=body, headers=headers)
                assert answer.status_code in (409, 422), (path, key, text)
                assert answer.headers["content-type"] == "application/problem+json"
        assert station.running.recorder.recording
        await station.shows("38.0100")
