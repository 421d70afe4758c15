"""What the README says of programs and people: REST by curl, tokens, and who may sign in."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.docs.desk import Desk, first_station, walk

pytestmark = pytest.mark.attack

SECTIONS = {"README.md": ("For programs", "Onto the network", "People", "As a service")}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk whose service runs."""
    with Desk(tmp_path) as desk:
        desk.writes(first_station())
        desk.leaves_running()
        yield desk


def test_programs_ask_by_rest(desk: Desk) -> None:
    """Each address answers as the section says, the stream with what is measured while it is followed."""

    def station_file(text: str) -> None:
        assert desk.service is not None
        digest = desk.service.get("/station/file")["sha256"]
        answer = json.loads(desk.types(text.replace("curl ", "curl -sS ", 1).replace("…", digest)))
        assert answer["changes"], answer

    def stream(text: str) -> None:
        desk.looks_on(text, "38.0141", lambda: desk.shows(b"38.0141 mm\r\n"))

    def records(text: str) -> None:
        desk.measures("38.0140")
        assert '"indication":"38.0140"' in desk.types(text).replace(" ", "")

    def metrics(text: str) -> None:
        assert "# EOF" in desk.types(text)

    walk(
        desk,
        "README.md",
        "For programs",
        how={
            "curl -X PATCH": station_file,
            "curl -N": stream,
            'curl "http://127.0.0.1:8620/v1/records': records,
            "curl http://127.0.0.1:8620/v1/metrics": metrics,
        },
    )


def test_tokens_and_people(desk: Desk) -> None:
    """Tokens are granted, listed and revoked, people added, given roles and revoked, a lot signed, in that order."""

    def granted(text: str) -> None:
        assert re.search(r"\S{40}", desk.types(text))

    def signed(text: str) -> None:
        assert "Mara Example (M1)" in desk.types(text)

    walk(desk, "README.md", "Onto the network", how={"gaugepost access grant": granted})
    desk.is_mastered()
    desk.measures("38.0141")
    walk(
        desk,
        "README.md",
        "People",
        how={
            "gaugepost access add M1": lambda text: desk.types(text, says="735210\n"),
            "gaugepost access add M2": lambda text: desk.types(text, says="B-9f2c41d07ae3\n"),
            "gaugepost access pin": lambda text: desk.types(text, says="942817\n"),
            "gaugepost sign lot": lambda text: desk.types(text, says="942817\n"),
            "gaugepost sign show": signed,
        },
    )
    assert desk.service is not None
    desk.service.post("/tags", {"piece": "2"}, method="PUT")
    assert desk.service.status == 401, "who commands has to sign in now"


def test_the_service_is_told_and_looked_after(desk: Desk) -> None:
    """A reload is asked for from another terminal, and the doctor looks at the station."""
    walk(
        desk,
        "README.md",
        "As a service",
        how={"gaugepost doctor": lambda text: desk.types(f"{text} || [ $? = 1 ]")},
    )
