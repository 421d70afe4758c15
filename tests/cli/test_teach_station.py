"""`gaugepost teach LINK --station FILE`: a link as the station file has it, unless a running service has it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.cli import main
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.pupil import Pupil
from tests.cli.test_teach_lost import FRAMES

UNFINISHED = """
[station]
name = "s"
time_zone = "UTC"
[service]
port = 1
[links.bore]
kind = "serial_port"
device = "{path}"
"""


@pytest.fixture
def port() -> Iterator[Port]:
    with Port() as port:
        yield port


def test_a_link_that_has_no_decoder_yet_is_taught(port: Port, tmp_path: Path) -> None:
    """A station file that is unfinished for want of the description is enough to get it."""
    file = tmp_path / "station.toml"
    file.write_text(UNFINISHED.format(path=port.path), encoding="utf-8")
    pupil = Pupil("bore", "--station", str(file), "--write", str(tmp_path / "bore"))
    try:
        for number, (shows, frame) in enumerate(FRAMES, 1):
            pupil.until(f"shows ({number}): ")
            port.send(frame)
            pupil.until("came:")
            pupil.types(shows)
        assert pupil.end()[0] == 0
    finally:
        pupil.close()
    assert (tmp_path / "bore.toml").exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[links.other]\nkind = 'serial_port'\n", "its links: other"),
        ("", "it has no links: write [links.bore]"),
        ("links = 3", "it has no links"),
        ("[links.bore]\nbaud = 9600\n", "links.bore says no kind"),
        ("[links.bore]\nkind = 'serial_port'\nbaut = 9600\n", "baut"),
        ("[links", "can't be read"),
    ],
)
def test_a_file_without_the_link_is_told(
    tmp_path: Path, text: str, said: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the station file lacks is said with what to write, and ends with 2."""
    monkeypatch.setenv("GAUGEPOST_AT", "http://127.0.0.1:1")
    (tmp_path / "station.toml").write_text(text, encoding="utf-8")
    assert main(["teach", "bore", "--station", str(tmp_path / "station.toml")]) == 2
    assert said in capsys.readouterr().err


def test_a_link_that_a_running_service_has_is_not_taken(
    port: Port, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The service's link is left to it, and it is said what to do."""
    with Daemon(tmp_path, station_file([port])) as daemon:
        monkeypatch.setenv("GAUGEPOST_AT", daemon.address)
        link = daemon.get("/links")["links"][0]["link"]
        assert main(["teach", link, "--station", str(tmp_path / "station.toml")]) == 2
    said = capsys.readouterr().err
    assert f"has the link {link}" in said
    assert "stop it as long as you teach" in said
