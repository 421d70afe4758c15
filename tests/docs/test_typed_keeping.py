"""What the README says of keeping what was measured: verified, backed up, restored, archived, salvaged and exported."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.docs.desk import Desk, first_station, walk

pytestmark = pytest.mark.attack

OUTSIDER = "brass-bench-1-182311.archive.xz"
SECTIONS = {
    "README.md": ("What you can rely on",),
    "deploy/evidence.md": ("Proof for an outsider", "What to note elsewhere"),
}


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """A desk where a lot was measured and the service was stopped."""
    with Desk(tmp_path) as desk:
        desk.writes(first_station() + '[checkpoints]\nkey_file = "checkpoint-key.pem"\n')
        desk.places |= {
            "/media": str(desk.folder / "media"),
            "DATA_FOLDER": "data",
            "NEW": "new",
            "FOLDER": "shown",
            "FILE": "media/backups/*",
        }
        for folder in ("backups", "archives", "customer"):
            (desk.folder / "media" / folder).mkdir(parents=True)
        yield desk


def test_what_was_measured_is_kept(desk: Desk) -> None:
    """Each command of these sections does what its sentence says, on a journal that a station has written."""

    def keyed(text: str) -> None:
        # From here on the station signs.
        desk.types(text)
        with desk.running():
            desk.is_mastered()
            desk.measures("38.0141", "38.0139")
        desk.types("gaugepost verify data")

    def archived_for_a_customer(text: str) -> None:
        if OUTSIDER not in desk.places:
            desk.types("cp -r data copy && gaugepost archive copy media/customer --before 2099-01-01")
            (archive,) = (desk.folder / "media" / "customer").iterdir()
            desk.places[OUTSIDER] = str(archive)
        assert "checkpoint" in desk.types(text)

    def restored(text: str) -> None:
        # A journal is restored where none lies.
        shutil.move(desk.folder / "data", desk.folder / "before")
        assert "epoch" in desk.types(text)
        shutil.rmtree(desk.folder / "data")
        shutil.move(desk.folder / "before", desk.folder / "data")

    def exported(text: str) -> None:
        rows = list(csv.DictReader(io.StringIO(desk.types(f"{text} 2>/dev/null"))))
        assert [row["value"] for row in rows if row["kind"] == "reading"]
        assert {row["lot"] for row in rows} == {"L-0311"}

    def elsewhere(text: str) -> None:
        desk.types(f"gaugepost verify data --public-key station.pub.pem --write shown && cd shown && {text}")

    with desk.running():
        pass
    walk(
        desk,
        "README.md",
        "What you can rely on",
        how={
            "gaugepost key make": keyed,
            f"gaugepost verify {OUTSIDER}": archived_for_a_customer,
            "gaugepost restore": restored,
            # Nothing here is of years ago.
            "gaugepost archive": lambda text: desk.types(f"{text} || [ $? = 1 ]"),
            "gaugepost export": exported,
        },
    )
    walk(
        desk,
        "deploy/evidence.md",
        *SECTIONS["deploy/evidence.md"],
        how={f"gaugepost verify {OUTSIDER}": archived_for_a_customer, "openssl": elsewhere},
    )
