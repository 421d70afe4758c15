"""The README's first gauge, from the first command to the last, typed as it stands there."""

from __future__ import annotations

import json
import signal
import tomllib
from pathlib import Path

import pytest

from tests.bench_tools.pupil import Pupil
from tests.docs.desk import GAUGE, Desk, first_station, until, walk
from tests.docs.documents import ROOT
from tests.docs.words import first

pytestmark = pytest.mark.attack

HEADING = "A first real gauge in five minutes"
SECTIONS = {"README.md": (HEADING,)}

SHOWN = (("12.345 mm", b"+0012.345\r"), ("7.891 mm", b"+0007.891\r"), ("-3.072 mm", b"-0003.072\r"))


class Reader:
    """Does what the section says, step by step."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def demo(self, text: str) -> None:
        """Have make start the demo, of an environment that is there already."""
        environment = self.desk.folder / "made"
        (environment / "bin").mkdir(parents=True)
        (environment / "bin" / "gaugepost").symlink_to(self.desk.folder.parent / "bin" / "gaugepost")
        for stamp in (".python", ".run", ".app"):
            (environment / stamp).touch()
        assert "the last is" in self.desk.types(f"{text} VENV={environment} -C {ROOT}")

    def devices(self, text: str) -> None:
        """Look what is plugged in: on a machine that has nothing it says what to do."""
        self.desk.types(f"{text} || [ $? = 1 ]")

    def rules(self, text: str) -> None:
        """Try the device rules; where nothing is plugged in they are about nothing."""
        self.desk.places["FILE"] = str(ROOT / "deploy" / "device-rules" / "70-gaugepost.rules")
        self.desk.types(f"{text} || [ $? = 1 ]")

    def check(self, text: str) -> None:
        """Write the station file, and have it checked."""
        self.desk.writes(first_station())
        assert "fit to run" in self.desk.types(text)

    def schema(self, text: str) -> None:
        """Write the schema for an editor."""
        self.desk.types(text)
        assert json.loads((self.desk.folder / _file(text)).read_text())["type"] == "object"

    def watch(self, text: str) -> None:
        """Look on in another terminal while the trigger is squeezed."""
        self.desk.looks_on(text, "38.0141", lambda: self.desk.shows(b"38.0141 mm\r\n"))

    def show(self, text: str) -> None:
        """Squeeze the trigger: a reading with a verdict; and look how the gauge stands."""
        self.desk.measures("38.0141")
        assert self.desk.service is not None
        assert list(self.desk.service.records(kind="reading"))[-1]["verdict"] == "in-limits"
        assert "bore-38" in self.desk.types(text)

    def teach(self, text: str) -> None:
        """Measure three things, and type what the display shows; in a folder where nothing has that name yet."""
        for left in self.desk.folder.glob("bore*.toml"):
            left.unlink()
        words = first(self.desk.here(text))[2:]
        asked = "--request" in words
        pupil = Pupil(*words, env=self.desk.env, folder=self.desk.folder)
        try:
            for number, (shows, frame) in enumerate(SHOWN, 1):
                pupil.until(f"shows ({number}): ")
                if asked:
                    pupil.types(shows)
                    assert self.desk.gauge.received(2) == b"D\r"
                    self.desk.shows(frame)
                else:
                    self.desk.shows(frame)
                    pupil.until("came:")
                    pupil.types(shows)
            code, _, said = pupil.end()
        finally:
            pupil.close()
        assert code == 0, said
        assert tomllib.loads((self.desk.folder / "bore.toml").read_text())["kind"] == "delimited_text"

    def teach_link(self, text: str) -> None:
        """Teach a link of a station file that has no decoder yet."""
        bare = first_station()
        self.desk.writes(f'[links.bore-serial]\nkind = "serial_port"\ndevice = "{GAUGE}"\n', "station.toml")
        self.teach(text)
        self.desk.writes(bare)

    def capture(self, text: str) -> None:
        """Capture two frames, and end it by Ctrl-C."""
        self.desk.stops()
        self.desk.places["LINK"] = "bore-serial"
        with self.desk.at_work(text) as process:
            self.desk.hears(process, "capturing")
            self.desk.shows(b"38.0141 mm\r\n38.0142 mm\r\n")
            file = self.desk.folder / first(text)[-1]
            until(lambda: file.exists() and file.read_bytes().count(b"[[frame]]") == 2, "two frames")
            process.send_signal(signal.SIGINT)
            assert "2 frames" in self.desk.hears(process, "frames in")
        assert len(tomllib.loads(file.read_text())["frame"]) == 2

    def lesson(self, text: str) -> None:
        """Begin a lesson through the running service."""
        if self.desk.service is None:
            self.desk.leaves_running()
        begun = json.loads(self.desk.types(text.replace("curl ", "curl -sS ")).splitlines()[-1])
        self.desk.places["ID"] = begun["lesson"]

    def heard(self, text: str) -> None:
        """Have the gauge send, and look what came."""
        self.desk.shows(SHOWN[0][1])
        until(lambda: "12.345" in self.desk.types(text), "the frame came")


def _file(text: str) -> str:
    """Return the file that a line's output goes into."""
    return text.rpartition(">")[2].strip()


def test_the_first_gauge(tmp_path: Path) -> None:
    """Whoever types this section of the README, with a gauge plugged in, gets what it says they get."""
    with Desk(tmp_path) as desk:
        reader = Reader(desk)
        walk(
            desk,
            "README.md",
            HEADING,
            how={
                "make demo": reader.demo,
                "gaugepost devices": reader.devices,
                "gaugepost devices --rules": reader.rules,
                "gaugepost check": reader.check,
                "gaugepost schema": reader.schema,
                "gaugepost run": desk.leaves_running,
                "gaugepost watch": reader.watch,
                "gaugepost bench master": desk.follows,
                "gaugepost bench check": desk.follows,
                "gaugepost bench show": reader.show,
                "gaugepost capture": reader.capture,
                "gaugepost teach serial_port": reader.teach,
                "gaugepost teach bore-serial": reader.teach_link,
                'curl -H "Content-Type: application/json" -d \'{"link"': reader.lesson,
                'curl "http://127.0.0.1:8620/v1/lessons/ID?after': reader.heard,
            },
        )
