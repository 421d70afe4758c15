"""A gauge that sends only when asked is taught too: it is asked as a value is typed, and its request is described."""

from __future__ import annotations

import json
import threading
import tomllib
from pathlib import Path

import pytest

from gaugepost.cli import main
from tests.bench_tools.daemon import Port
from tests.bench_tools.pupil import Pupil
from tests.cli.test_teach_lost import FRAMES


def test_it_is_asked_as_a_value_is_typed(tmp_path: Path) -> None:
    """Each value that is typed asks the gauge, what it says to `ask` is no measurement, and its request is written."""
    with Port() as port:

        def gauge() -> None:
            for _, frame in (("", b"+0001.000\r"), *FRAMES):
                assert port.received(2) == b"D\r"
                port.send(b"?\r" + frame)

        answering = threading.Thread(target=gauge)
        answering.start()
        words = "serial_port", f"device={port.path}", "--request", r"D\r", "--write", str(tmp_path / "bore")
        pupil = Pupil(*words)
        try:
            pupil.until("measure and type what the display shows (1): ")
            pupil.types("ask")
            pupil.until("+0001.000")
            for number, (shows, _) in enumerate(FRAMES, 1):
                pupil.until(f"shows ({number}): ")
                pupil.types(shows)
            code, out, said = pupil.end()
        finally:
            pupil.close()
        answering.join()
    assert code == 0, said
    assert "decided: delimited_text" in out
    description = tomllib.loads((tmp_path / "bore.toml").read_text(encoding="utf-8"))
    assert description["request"] == "D\r"


def test_a_station_file_may_say_the_request_before_anything_else(tmp_path: Path) -> None:
    """An unfinished decoder table with a request is enough; a gauge that does not answer is told, and nothing taken."""
    with Port() as port:
        file = tmp_path / "station.toml"
        file.write_text(
            f'[station]\nname = "s"\ntime_zone = "UTC"\n[service]\nport = 1\n[links.bore]\nkind = "serial_port"\n'
            f'device = "{port.path}"\n[links.bore.decoder]\nrequest = "D\\r"\n',
            encoding="utf-8",
        )
        pupil = Pupil("bore", "--station", str(file))
        try:
            pupil.until("shows (1): ")
            pupil.types("12.345 mm")
            assert port.received(2) == b"D\r"
            pupil.until("the gauge did not answer to its request")
            pupil.types("")
            assert pupil.end()[0] == 1
        finally:
            pupil.close()


def test_samples_may_name_the_request(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of samples says what the gauge was asked with, and the description has it."""
    samples = "".join(
        f"[[sample]]\nshows = {json.dumps(shows)}\nbytes = {json.dumps(frame.decode())}\n"
        for shows, frame in FRAMES
    )
    file = tmp_path / "samples.toml"
    file.write_text('request = "V\\u0001\\r"\n' + samples, encoding="utf-8")
    assert main(["teach", "--samples", str(file), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["request"] == "V\x01\r"
    assert tomllib.loads(told["description_file"])["request"] == "V\x01\r"
    file.write_text("request = 5\n" + samples, encoding="utf-8")
    assert main(["teach", "--samples", str(file)]) == 2
    assert "a request that is no text" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("request_text", "said"),
    [
        ("\\x", "can't be read"),
        ("€", "no single byte"),
        ("{channel}\\r", "{channel}"),
        ("D" * 65, "65 characters"),
    ],
)
def test_a_request_that_can_not_be_is_told(
    request_text: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What no description could say is refused before anything is opened."""
    assert main(["teach", "serial_port", "device=/dev/no-such-port", "--request", request_text]) == 2
    assert said in capsys.readouterr().err
