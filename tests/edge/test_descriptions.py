"""A gauge's description in a file of its own: what it and the station say together, and where each fault is shown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings, strategies as st

from gaugepost.edge.stationfile import Station, StationFileError, read_station

STATION = """\
[station]
name = "bush-bench"
time_zone = "Europe/Berlin"

[links.port]
kind = "serial_port"
device = "/dev/ttyUSB0"

[links.port.decoder]
file = "shared/bore.toml"

[gauges.bore-38]
link = "port"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"

[masters.ring-38]
size = "38.0012 mm"

[characteristics.bush]
feature = "bore"
limits = "38 H7"
gauges = ["bore-38"]
"""
BORE = """\
# nibbles
kind = "fixed_fields"
cells = "nibbles-low-first"
framing = "length"
start = "FFFF"
implied_decimals = 3

[fields]
digits = "5-10"
"""


ODD_LINES = [
    b"", b"[fields]", b"[[fields]]", b"fields = 1", b"kind = 1", b'kind = "binary_number"', b"start = 1", b'start = ""',
    b'digits = "9-300"', b'digits = ["5"]', b'fixed = { 1 = "F" }', b'fixed = { "" = "FF" }', b'cells = "characters"',
    b"decoder = {}", b'file = "x"', b"signs = {}", b'signs = { "" = "+" }', b"implied_decimals = -1", b"silence = nan",
]  # fmt: skip


def read(folder: Path, bore: str | None = BORE, station: str = STATION) -> Station:
    (folder / "shared").mkdir()
    if bore is not None:
        (folder / "shared" / "bore.toml").write_text(bore, encoding="utf-8")
    (folder / "bench.toml").write_text(station, encoding="utf-8")
    return read_station(folder / "bench.toml")


def findings(folder: Path, bore: str | None = BORE, station: str = STATION) -> list[str]:
    with pytest.raises(StationFileError) as caught:
        read(folder, bore, station)
    return [str(finding).replace(f"{folder}/", "") for finding in caught.value.findings]


def added(key: str, name: str = "shared/bore.toml") -> str:
    return STATION.replace('file = "shared/bore.toml"', f'file = "{name}"\n{key}')


def test_the_set_up_holds_what_both_say_together(tmp_path: Path) -> None:
    """What is journaled is the whole: the description's keys, the station's, and every default."""
    station = read(tmp_path, BORE, added("silence = 0.5\nunit = 'mm'"))
    entry = station.set_up.links["port"]
    told = json.loads(entry.decoder_settings)
    assert entry.decoder == "fixed_fields"
    assert (told["start"], told["fields"]["digits"]) == ("FFFF", "5-10")
    assert (told["silence"], told["unit"], told["pad"]) == (0.5, "mm", False)
    assert "file" not in told


def test_a_description_may_be_written_out_instead(tmp_path: Path) -> None:
    """The same keys in the station file itself come to the same set-up."""
    shared = read(tmp_path).set_up
    own = BORE.replace("[fields]", "[links.port.decoder.fields]")
    (tmp_path / "own.toml").write_text(STATION.replace('file = "shared/bore.toml"\n', own), encoding="utf-8")
    assert read_station(tmp_path / "own.toml").set_up == shared


def test_a_station_may_run_from_any_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The description's path begins at the station file, not where the program was started."""
    read(tmp_path)
    monkeypatch.chdir("/")
    assert read_station(tmp_path / "bench.toml").set_up.links["port"].decoder == "fixed_fields"
    monkeypatch.chdir(tmp_path)
    assert read_station(Path("bench.toml")).set_up.links["port"].decoder == "fixed_fields"


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            'digits = "5-10"',
            'digits = "6-12"',
            "shared/bore.toml:8: fields: nibble 5 has no meaning; name its field, write into fixed",
        ),
        (
            'digits = "5-10"',
            'digits = "x"',
            "shared/bore.toml:9: fields.digits: 'x' is no place; expected places counted",
        ),
        (
            'digits = "5-10"',
            'digit = "5-10"',
            "shared/bore.toml:8: fields.digits: is missing; expected where the digits",
        ),
        (
            'framing = "length"',
            'framing = "lenght"',
            'shared/bore.toml:4: framing: "lenght" is not known here; expected "terminator", "length", "packet"',
        ),
        ('start = "FFFF"', 'start = "F"', "shared/bore.toml:5: start: 'F' ends in the middle of a byte"),
        (
            'start = "FFFF"\n',
            "",
            "shared/bore.toml: start: is missing: without it nobody can tell where a frame begins",
        ),
        (
            'kind = "fixed_fields"',
            'kind = "fixed_field"',
            'shared/bore.toml:2: kind: "fixed_field" is not an installed kind of decoder; expected',
        ),
        ('kind = "fixed_fields"', "", "shared/bore.toml: kind: is missing; expected"),
        ("# nibbles", 'file = "other.toml"', "shared/bore.toml:1: file: a description names no other file; "),
        ("# nibbles", 'file = "bore.toml"', "shared/bore.toml:1: file: a description names no other file; "),
        (
            "# nibbles",
            "baud = 9600",
            'shared/bore.toml:1: baud: "baud" is not a key of a decoder of kind "fixed_fields"',
        ),
        ("# nibbles", "kind: fixed", "shared/bore.toml:1: not TOML at column 5"),
    ],
)
def test_a_fault_is_shown_in_the_description(tmp_path: Path, old: str, new: str, expected: str) -> None:
    """File, line and key are the description's where the key stands there, or is missing."""
    assert BORE.count(old) == 1
    found = findings(tmp_path, BORE.replace(old, new))
    assert any(finding.startswith(expected) for finding in found), found
    assert all(finding.startswith("shared/bore.toml:") for finding in found), found


def test_two_links_show_a_fault_of_their_description_once(tmp_path: Path) -> None:
    """A description that many stations and links share is put right in one place."""
    station = STATION + '\n[links.other]\nkind = "serial_port"\ndevice = "/dev/ttyUSB1"\n'
    station += '[links.other.decoder]\nfile = "shared/bore.toml"\n'
    station = station.replace(
        "[masters",
        '[gauges.two]\nlink = "other"\ncontact = "single"\ndisplay = "absolute"\ncheck_limit = "2 µm"\n\n[masters',
    )
    station = station.replace('["bore-38"]', '["bore-38", "two"]')
    (finding,) = findings(tmp_path, BORE.replace("implied_decimals = 3", "implied_decimals = 10"), station)
    assert finding.startswith("shared/bore.toml:6: implied_decimals: 10 can't be taken; expected 9 or less")


@pytest.mark.parametrize(
    ("station", "expected"),
    [
        (
            added("silence = 0"),
            "bench.toml:11: links.port.decoder.silence: 0 can't be taken; expected more than 0",
        ),
        (added("speed = 1"), 'bench.toml:11: links.port.decoder.speed: "speed" is not a key of a decoder'),
        (
            added('start = "AAAA"'),
            "bench.toml:11: links.port.decoder.start: shared/bore.toml:5 says start too; expected keys that the",
        ),
        (
            added("", "shared/none.toml"),
            "bench.toml:10: links.port.decoder.file: shared/none.toml: there is no such file",
        ),
        (
            added("", "shared"),
            "bench.toml:10: links.port.decoder.file: shared: is a folder; expected a gauge description",
        ),
        (added("", "bench.toml"), "bench.toml:10: links.port.decoder.file: is this station file itself"),
        (
            added("", "shared/../bench.toml"),
            "bench.toml:10: links.port.decoder.file: is this station file itself",
        ),
        (added("", ""), 'bench.toml:10: links.port.decoder.file: "" is not a path'),
        (added("", "/dev/null"), "bench.toml:10: links.port.decoder.file: /dev/null: is not a regular file"),
        (added("", "a\\u0000b"), "bench.toml:10: links.port.decoder.file: a"),
        (
            STATION.replace('"shared/bore.toml"', "1"),
            "bench.toml:10: links.port.decoder.file: 1 is not a path",
        ),
    ],
)
def test_a_fault_of_the_station_is_shown_in_the_station(tmp_path: Path, station: str, expected: str) -> None:
    """A file that is not there, or no file, and keys that the station added are shown where the station names them."""
    (finding,) = findings(tmp_path, BORE, station)
    assert finding.startswith(expected), finding


def test_a_description_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever runs the service is told that the right to read is missing, in which file, named where."""
    opened = Path.open

    def refuse(path: Path, *words: object, **more: object) -> object:
        if path.name == "bore.toml" and words == ("rb",):
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *words, **more)  # type: ignore[call-overload]

    # Tests may run as root, whom no mode of a file keeps out.
    monkeypatch.setattr(Path, "open", refuse)
    (finding,) = findings(tmp_path)
    assert finding.startswith(
        "bench.toml:10: links.port.decoder.file: shared/bore.toml: may not be read; give"
    )


@pytest.mark.parametrize(
    ("bore", "word"), [("", "the file is empty"), ("a = 1\n" * 200_000, "larger than 1024 KiB")]
)
def test_a_file_that_is_something_else_is_told(tmp_path: Path, bore: str, word: str) -> None:
    """An empty or huge file is named where the station names it."""
    (finding,) = findings(tmp_path, bore)
    assert (
        finding.startswith(f"bench.toml:10: links.port.decoder.file: shared/bore.toml: {word}")
        or word in finding
    )


def test_a_link_that_leads_back_to_itself_is_told(tmp_path: Path) -> None:
    """A symbolic link in a circle is a file that can't be read, named where the station names it."""
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "bore.toml").symlink_to("bore.toml")
    (tmp_path / "bench.toml").write_text(STATION, encoding="utf-8")
    with pytest.raises(StationFileError) as caught:
        read_station(tmp_path / "bench.toml")
    (finding,) = caught.value.findings
    assert (finding.line, finding.key) == (10, "links.port.decoder.file")
    assert "can't be read: " in finding.finding


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_mutated_description_gives_findings_or_a_station(tmp_path: Path, data: st.DataObject) -> None:
    """Whatever a description says, the answer is a station or findings, each in the one file or the other."""
    lines = BORE.encode().split(b"\n")
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        lines[at] = data.draw(st.one_of(st.sampled_from(ODD_LINES), st.binary(max_size=12)))
    (tmp_path / "shared").mkdir(exist_ok=True)
    (tmp_path / "shared" / "bore.toml").write_bytes(b"\n".join(lines))
    (tmp_path / "bench.toml").write_text(STATION, encoding="utf-8")
    try:
        read_station(tmp_path / "bench.toml")
    except StationFileError as error:
        found = error.findings
    else:
        return
    assert {finding.file for finding in found} <= {
        str(tmp_path / "bench.toml"),
        str(tmp_path / "shared" / "bore.toml"),
    }
    assert all(finding.finding for finding in found)
