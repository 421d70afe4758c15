"""`gaugepost teach`: samples or a real port in, a description out that reads what was never measured; or why not."""

from __future__ import annotations

import json
import signal
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.contract import Chunk, Indication, Moment
from gaugepost.edge.plugins import DECODERS, find
from tests.bench_tools.daemon import Port
from tests.bench_tools.pupil import Pupil
from tests.cli.daemons import gaugepost

SHOWN = (("12.345 mm", "+0012.345\r"), ("7.891 mm", "+0007.891\r"), ("-3.072", "-0003.072\r"))


@dataclass(frozen=True)
class Done:
    """How the command ended, and what it said."""

    returncode: int
    stdout: str
    stderr: str


Teach = Callable[..., Done]


@pytest.fixture
def teach(capsys: pytest.CaptureFixture[str]) -> Teach:
    """The command line in this process: what a process of its own would add is its start."""

    def run(*words: str) -> Done:
        code = main(["teach", *words])
        out, error = capsys.readouterr()
        return Done(code, out, error)

    return run


def samples(folder: Path, *pairs: tuple[str, str]) -> Path:
    """Write a file of samples."""
    file = folder / "samples.toml"
    told = (f"[[sample]]\nshows = {json.dumps(shows)}\nbytes = {json.dumps(data)}\n" for shows, data in pairs)
    file.write_text("\n".join(told), encoding="utf-8")
    return file


def reads(description: Path, data: bytes) -> list[object]:
    """What the real decoder makes of bytes under a written description."""
    settings = tomllib.loads(description.read_text(encoding="utf-8"))
    decoder = find(DECODERS, settings.pop("kind"))
    made = decoder(decoder.Settings.model_validate(settings))
    return [*made.feed(Chunk(data, Moment(0, 0, "")))]


def test_what_is_decided_is_written_with_its_proof(tmp_path: Path) -> None:
    """The description reads a value that was never measured, its capture says what was, and a station file takes it."""
    done = gaugepost("teach", "--samples", str(samples(tmp_path, *SHOWN)), "--write", str(tmp_path / "bore"))
    assert done.returncode == 0, done.stderr
    assert "+0012.345" in done.stdout
    assert "decided: delimited_text" in done.stdout
    (event,) = reads(tmp_path / "bore.toml", b"+0098.706\r")
    assert isinstance(event, Indication)
    assert event.value == Decimal("98.706")
    capture = tomllib.loads((tmp_path / "bore.capture.toml").read_text(encoding="utf-8"))
    assert [frame["events"][0]["value"] for frame in capture["frame"]] == ["12.345", "7.891", "-3.072"]
    station = tmp_path / "station.toml"
    station.write_text(
        '[station]\nname = "s"\ntime_zone = "UTC"\n[links.a]\nkind = "serial_port"\ndevice = "/dev/ttyUSB0"\n'
        '[links.a.decoder]\nfile = "bore.toml"\n[gauges.g]\nlink = "a"\ncontact = "two-point"\ndisplay = "absolute"\n'
        'check_limit = "2 µm"\n[masters.m]\nsize = "12 mm"\n',
        encoding="utf-8",
    )
    checked = gaugepost("check", str(station))
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_a_file_is_never_written_over(teach: Teach, tmp_path: Path) -> None:
    """A name that is taken is refused before anything is measured."""
    (tmp_path / "bore.toml").write_text("kept", encoding="utf-8")
    done = teach("--samples", str(samples(tmp_path, *SHOWN)), "--write", str(tmp_path / "bore"))
    assert done.returncode == 2
    assert "is there already" in done.stderr
    assert (tmp_path / "bore.toml").read_text(encoding="utf-8") == "kept"


def test_what_is_open_is_asked_for(teach: Teach, tmp_path: Path) -> None:
    """Too little to decide is exit code 1, and for a program as for a person says what to measure next."""
    file = samples(tmp_path, *SHOWN[:2])
    done = teach("--samples", str(file), "--write", str(tmp_path / "bore"))
    assert done.returncode == 1
    assert "not decided yet" in done.stdout
    assert not (tmp_path / "bore.toml").exists()
    told = json.loads(teach("--samples", str(file), "--json").stdout)
    assert told["decided"] is False
    assert told["description"] is None
    assert told["next"][0]["needed"] is True


def test_a_program_is_told_all_that_a_person_is(teach: Teach, tmp_path: Path) -> None:
    """Bytes, which of them gave which digits, rivals, what to measure next, and both files' texts are in the JSON."""
    told = json.loads(teach("--samples", str(samples(tmp_path, *SHOWN)), "--json").stdout)
    assert (told["decided"], told["reason"], told["channel"]) == (True, None, "")
    assert told["evidence"][1] == {
        "measurement": 2, "shows": "7.891 mm", "reads": "7.891 mm", "hex": "2B 30 30 30 37 2E 38 39 31 0D",
        "text": "+0007.891\\r", "number": [3, 4, 5, 6, 7, 8], "unit": [],
    }  # fmt: skip
    assert told["measured"][2]["shows"] == "-3.072"
    assert told["measured"][2]["came"][0]["hex"] == "2D 30 30 30 33 2E 30 37 32 0D"
    assert tomllib.loads(told["description_file"]) == told["description"]
    assert len(tomllib.loads(told["capture_file"])["frame"]) == 3
    assert told["leading"]["bits"] >= told["leading"]["needed_bits"]
    assert [one["measure"] for one in told["next"]] == ["another unit", "a longer number"]
    pairs = [
        (f"{value / 1000:.3f} mm", f"\x02{chr(value >> 8)}{chr(value & 255)}\x03")
        for value in (7891, 12345, 3072)
    ]
    told = json.loads(teach("--samples", str(samples(tmp_path, *pairs)), "--json").stdout)
    assert (told["decided"], told["description_file"]) == (False, None)
    assert told["candidates"] > len(told["rivals"]) > 0
    assert told["rivals"][0]["kind"] == "binary_number"
    assert "reads" in told["rivals"][0]["says"]
    assert told["next"][0] == {"measure": "a negative value", "why": told["reason"], "needed": True}


def test_a_wrong_typing_is_named(teach: Teach, tmp_path: Path) -> None:
    """The one sample that the others speak against is named, with what they read there."""
    wrong = (
        SHOWN[0],
        ("7.981 mm", SHOWN[1][1]),
        SHOWN[2],
        ("4.207", "+0004.207\r"),
        ("9.616", "+0009.616\r"),
    )
    done = teach("--samples", str(samples(tmp_path, *wrong)))
    assert done.returncode == 1
    assert "conflict: sample 2 (7.981 mm)" in done.stdout
    assert "they read 7.891 mm there" in done.stdout


def test_samples_may_have_channels(teach: Teach, tmp_path: Path) -> None:
    """Chunks of several channels come from a file too, and what to write for the channel is said."""
    file = tmp_path / "samples.toml"
    told = (
        f'[[sample]]\nshows = "{shows}"\nchunks = [{{ channel = "b", bytes = {json.dumps(data)} }}, '
        f'{{ channel = "a", hex = "07 0{at}" }}]\n'
        for at, (shows, data) in enumerate(SHOWN)
    )
    file.write_text("\n".join(told), encoding="utf-8")
    done = teach("--samples", str(file), "--write", str(tmp_path / "bore"))
    assert done.returncode == 0, done.stdout
    assert '[gauges.NAME]\n  channel = "b"' in done.stderr
    assert 'hex = "07 02"' in (tmp_path / "bore.capture.toml").read_text("utf-8")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no samples"),
        ('[[sample]]\nbytes = "1"\n', "sample 1 says not what the display shows"),
        ('[[sample]]\nshows = "twelve"\nbytes = "1"\n', "sample 1: 'twelve' is not what a display shows"),
        ('[[sample]]\nshows = "1"\nhex = "zz"\n', "sample 1 has no bytes"),
        ('[[sample]]\nshows = "1"\nbytes = "1"\nhex = "31"\n', "sample 1 has other keys"),
        ('[[sample]]\nshows = "1"\nchunks = [{ channel = 1, hex = "31" }]\n', "sample 1 has other keys"),
        ('[[sample]]\nshows = "1"\nchunks = []\n', "sample 1 has no bytes"),
        ('[[frame]]\nhex = "31"\n', "of no frame what the display showed"),
        ('[[frame]]\nhex = "31"\nshows = "x"\n', "frame 1: 'x' is not what"),
        ("[[frame]]\n", "frame 1 has no bytes"),
        ('tells = 1\n[[sample]]\nshows = "1"\nhex = "31"\n', "has no samples"),
        ("[[sample]\n", "can't be read"),
        ("port = 1\n", "a key 'port'"),
        ('never = ["ever"]\n[[sample]]\nshows = "1"\nhex = "31"\n', 'write never = ["unit"]'),
    ],
)
def test_bad_samples_are_told_with_their_place(teach: Teach, tmp_path: Path, text: str, said: str) -> None:
    """Whatever is wrong with a file of samples is named with the sample and what to write."""
    file = tmp_path / "samples.toml"
    file.write_text(text, encoding="utf-8")
    done = teach("--samples", str(file))
    assert done.returncode == 2
    assert said in done.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "needs a gauge"),
        (("serial_port", "device"), "is no setting"),
        (("serial_port", "devise=/dev/null"), "devise"),
        (("carrier_pigeon",), "carrier_pigeon"),
    ],
)
def test_a_link_that_cannot_be_is_told(teach: Teach, words: Sequence[str], said: str) -> None:
    """A kind, key or value that is none ends with 2 and what to write."""
    done = teach(*words)
    assert done.returncode == 2
    assert said in done.stderr


def pupil_at(port: Port, *words: str) -> Pupil:
    """Begin to be taught at a real port."""
    return Pupil("serial_port", f"device={port.path}", *words)


SLIPS = {
    "help": "never negative",
    "drop": "type its number, as drop 3",
    "drop 9": "there are 1 to 1",
    "never ever": "one of negative, unit, longer",
}
"""What a person may type that is no measurement, and the answer."""


@pytest.fixture
def port() -> Iterator[Port]:
    with Port() as port:
        yield port


def test_a_gauge_is_taught_at_its_port(port: Port, tmp_path: Path) -> None:
    """Measured three times at a real port, what comes is shown, a slip is put right, the description is written."""
    pupil = pupil_at(port, "--write", str(tmp_path / "bore"))
    pupil.until("shows (1): ")
    pupil.types("12.345 mm")
    pupil.until("nothing came from the gauge")
    for number, (shows, data) in enumerate(SHOWN, 1):
        pupil.until(f"shows ({number}): ")
        port.send(data.encode())
        pupil.until(f"came: {data.strip()}\\r")
        pupil.until(data.encode().hex(" ").upper())
        pupil.types("twelve" if number == 2 else shows)
        if number == 2:
            pupil.until("is not what a display shows")
            for typed, answer in SLIPS.items():
                pupil.until("shows (2): ")
                pupil.types(typed)
                pupil.until(answer)
            pupil.until("shows (2): ")
            pupil.types(shows)
    code, out, _ = pupil.end()
    assert code == 0
    assert "decided: delimited_text" in out
    (event,) = reads(tmp_path / "bore.toml", b"-0001.500\r")
    assert isinstance(event, Indication)
    assert event.value == Decimal("-1.500")


def test_another_name_is_asked_for_where_the_folder_went(port: Port, tmp_path: Path) -> None:
    """What was measured is not lost with the folder it was to go to: another name is asked for, and taken."""
    (tmp_path / "stick").mkdir()
    pupil = pupil_at(port, "--write", str(tmp_path / "stick" / "bore"))
    for number, (shows, data) in enumerate(SHOWN, 1):
        pupil.until(f"shows ({number}): ")
        port.send(data.encode())
        if number == len(SHOWN):
            (tmp_path / "stick").rmdir()
        pupil.types(shows)
    pupil.until("there is no folder")
    pupil.until("another name")
    pupil.types(str(tmp_path / "bore"))
    code, _, _ = pupil.end()
    assert code == 0
    assert sorted(file.name for file in tmp_path.iterdir()) == ["bore.capture.toml", "bore.toml"]


@pytest.mark.parametrize("how", ["an empty line", "Ctrl-C", "the end of the input"])
def test_it_ends_undecided_when_told_to(port: Port, how: str) -> None:
    """However a person ends it, nothing is written, the exit code is 1, and there is no traceback."""
    pupil = pupil_at(port)
    pupil.until("shows (1): ")
    if how == "an empty line":
        pupil.types("")
    elif how == "Ctrl-C":
        pupil.process.send_signal(signal.SIGINT)
    else:
        assert pupil.process.stdin is not None
        pupil.process.stdin.close()
        pupil.process.stdin = None
    code, out, _ = pupil.end()
    assert (code, out) == (1, "")
