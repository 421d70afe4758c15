"""What the README says of uncertainty, of masterings that can be trusted, and of a master that turns out bad."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.docs.desk import Desk, first_station, walk

pytestmark = pytest.mark.attack

SECTIONS = {
    "README.md": (
        "How well a value is known, and what follows",
        "A mastering that can be trusted",
        "When a master turns out bad",
    )
}
TRACE = 'gaugepost trace master ring-38 --station station.toml --size "37.9982 mm" --since 2026-05-01'
STATION = first_station().replace('check_limit = "2 µm"', 'check_limit = "2 µm"\ncontact_sets = ["A", "B"]')
CERTIFIED = """serial_number = "R38-07"
uncertainty = "0.8 µm"
coverage_factor = 2
material = "gauge steel"
"""
SUFFICIENT = (
    STATION.replace('serial_number = "R38-07"', CERTIFIED)
    .replace(
        'contact = "three-point"',
        'contact = "three-point"\nmaterial = "gauge steel"\nrepeatability = "0.4 µm"',
    )
    .replace(
        "[links",
        """[temperatures]
part = { value = "20.4 °C", spread = "0.3 K" }
master = { value = "20.2 °C", spread = "0.3 K" }
gauge = { value = "20.3 °C", spread = "0.3 K" }
[links""",
        1,
    )
    .replace('feature = "bore"', 'feature = "bore"\npart_material = "brass"')
)
"""What the budget says is missing in the first station, and asks for."""


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk where a gauge with two contact sets was mastered, checked and used; the service runs."""
    with Desk(tmp_path) as desk:
        desk.writes(SUFFICIENT)
        desk.leaves_running()
        desk.types("gaugepost bench report bore-38 contacts --contact-set A")
        desk.is_mastered()
        desk.measures("38.0141", "38.0251")
        yield desk


def test_what_follows_of_an_uncertainty(desk: Desk) -> None:
    """Budget, limits and risk are answered for the station that the README has a reader write."""

    def budget(text: str) -> None:
        assert "ring-38" in desk.types(text)

    walk(desk, "README.md", SECTIONS["README.md"][0], how={"gaugepost budget": budget})


def test_what_a_bad_master_touched(desk: Desk) -> None:
    """A trace lists what rested on the ring, then judges it again; what was marked as suspect can be lifted."""

    def traced(text: str) -> None:
        # It ends with 1 where a decision changes.
        assert "2 measurements depended on it" in desk.types(f"{text} || [ $? = 1 ]")
        with (desk.folder / "recall.csv").open(encoding="utf-8") as file:
            (row, *_) = csv.DictReader(file)
        assert row["characteristic"] == "bush-bore"

    def marked(text: str) -> None:
        desk.types(text)
        assert desk.service is not None
        (mark,) = desk.service.get("/suspects")["suspects"]
        desk.places["1207"] = str(mark["sequence"])
        # "A gauge's mark takes a good check after it, on the same ring and under the same mastering."
        desk.follows("gaugepost bench check bore-38 ring-38 --serial R38-07 --wait")

    walk(
        desk,
        "README.md",
        SECTIONS["README.md"][2],
        how={f"{TRACE} --csv": traced, "gaugepost bench suspect bore-38": marked},
    )
    walk(desk, "README.md", SECTIONS["README.md"][1], how={})
