"""What the README says of where the numbers go: refused deliveries, commands by MQTT, an inspection sheet."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from openpyxl import load_workbook

from tests.bench_tools.broker import Broker, Subscriber
from tests.bench_tools.picky import PickySide
from tests.docs.desk import Desk, first_station, until, walk

pytestmark = pytest.mark.attack

SECTIONS = {"README.md": ("Where the numbers go", "Your inspection sheet fills itself")}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk with the station that the README has a reader write."""
    with Desk(tmp_path) as desk:
        desk.writes(first_station())
        yield desk


def test_where_the_numbers_go(desk: Desk, tmp_path: Path) -> None:
    """What a destination refuses is shown, handed over again and left out; a broker's command is answered."""
    far = PickySide(tmp_path / "far")
    far.tell("refuses", "1")
    desk.env["PYTHONPATH"] += f":{far.folder}"

    def listed(text: str) -> None:
        assert desk.service is not None
        (one,) = [
            each
            for each in desk.service.get("/destinations")["destinations"]
            if each["destination"] == "charts"
        ]
        desk.places["1207"] = (
            one["refused_records"][0]["id"] if one.get("refused_records") else desk.places["1207"]
        )
        assert "charts" in desk.types(text)

    with Broker(tmp_path) as broker, Subscriber(broker, "gaugepost/brass-bench/reply") as replies:
        desk.adds(
            far.table
            + f'[destinations.broker]\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\ncommands = true\n'
        )
        program = tmp_path / "bin" / "mosquitto_pub"
        program.write_text(
            f'#!/bin/sh\nexec {shutil.which("mosquitto_pub")} -h 127.0.0.1 -p {broker.port} "$@"\n'
        )
        program.chmod(0o755)
        desk.leaves_running()
        desk.is_mastered()
        desk.measures("38.0141")
        assert desk.service is not None
        ((reading,),) = [[each["id"] for each in desk.service.records(kind="reading")]]
        desk.places["1207"] = reading
        until(lambda: _refused(desk) == 1, "charts refuses the piece")

        def commanded(text: str) -> None:
            # The station listens to commands over a connection of its own.
            until(lambda: desk.types(text) == "" and replies.heard, "an answer comes")
            assert json.loads(replies.heard[0].payload)["request"] == "a1"

        def again(text: str) -> None:
            desk.types(text)
            until(lambda: _refused(desk) == 1, "it refuses again")

        walk(
            desk,
            "README.md",
            SECTIONS["README.md"][0],
            how={"mosquitto_pub": commanded, "gaugepost deliveries retry charts": again},
        )
        assert _refused(desk) == 0


def _refused(desk: Desk) -> int:
    assert desk.service is not None
    (one,) = [
        each for each in desk.service.get("/destinations")["destinations"] if each["destination"] == "charts"
    ]
    return int(one["refused"])


def test_a_sheet_fills_itself(desk: Desk) -> None:
    """The sheet that is made is filled by the station that has its lines."""

    def checked(text: str) -> None:
        desk.types(text)
        desk.leaves_running()
        desk.is_mastered()
        desk.measures("38.0141")

    def nothing_to_do(text: str) -> None:
        # Nobody typed anything into the sheet, so nothing is set aside.
        assert "nothing set aside" in desk.types(text, code=2)

    how = {"gaugepost workbook check": checked, "gaugepost deliveries retry": nothing_to_do}
    walk(desk, "README.md", SECTIONS["README.md"][1], how=how)

    def shown() -> bool:
        book = load_workbook(desk.folder / "pump-housing.xlsx")
        return any("accept" in str(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row)

    until(shown, "the piece is in the sheet")
