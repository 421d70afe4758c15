"""`gaugepost check` and `gaugepost schema`, and what happens when something quite different is checked."""

import argparse
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.commands import check, schema
from gaugepost.edge import plugins
from gaugepost.edge.stationfile import Station, StationFileError, read_station
from gaugepost.edge.stationfile.source import MAX_BYTES

STATIONS = Path(__file__).parents[2] / "deploy" / "stations"
COMPLETE = (STATIONS / "complete.toml").read_bytes()
VALUES = (
    b"1", b"-1", b"0.5", b"inf", b"nan", b"true", b'""', b'"x"', b'"38 mm"', b'"-1 in"', b'"1e999 /K"',
    b'"999999999 d"',     b"[]", b"[1]", b'["a", "a"]', b'[["35 mm"]]', b"{}", b"{ a = 1 }", b"2027-03-31",
    b"9999-12-31", b"0001-01-01",
    b"07:32:00", b"1979-05-27T07:32:00Z", b'"\\u0000"', b'"' + b"9" * 400 + b' mm"', b"9" * 5000, b"1" * 400,
    b'"\xc2\xb5m"', b'"00000000000000000000.1 mm"', b'"0.000000000000001 mm"', b'"SA"', b'"mean"', b'"air"',
)  # fmt: skip


def run(command: Any, *words: str) -> int:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    code = command.run(parser.parse_args(words))
    assert isinstance(code, int)
    return code


def outcome(file: Path) -> str:
    """Read the file; whatever it is, it is a station or findings fit to print."""
    try:
        station = read_station(file)
    except StationFileError as error:
        fit_to_print(file, error)
        return str(error)
    assert isinstance(station, Station)
    assert "\n".join(check.summary(station))
    return ""


def fit_to_print(file: Path, error: StationFileError) -> None:
    assert error.findings
    readable = len(file.name) < 256 and file.is_file()
    lines = len(file.read_bytes().split(b"\n")) if readable else 0
    for finding in error.findings:
        assert 0 <= finding.line <= lines
        assert finding.finding
        printed = str(finding)
        assert printed.isprintable(), printed
        assert "pydantic" not in printed
        assert "Input should" not in printed


@st.composite
def mutations(draw: st.DrawFn) -> bytes:
    """Return the complete example with bytes, lines or values changed."""
    data = COMPLETE
    for _ in range(draw(st.integers(1, 4))):
        lines = data.split(b"\n")
        place = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(("value", "value", "value", "drop", "double", "swap", "bytes", "rename"))):
            case "value":
                key, equals, _ = lines[place].partition(b" = ")
                lines[place] = key + equals + (draw(st.sampled_from(VALUES)) if equals else b"")
            case "drop":
                del lines[place]
            case "double":
                lines.insert(place, lines[place])
            case "swap":
                other = draw(st.integers(0, len(lines) - 1))
                lines[place], lines[other] = lines[other], lines[place]
            case "rename":
                lines[place] = lines[place].replace(b"e", b"ee", 1)
            case "bytes":
                at = draw(st.integers(0, len(lines[place])))
                junk = draw(st.binary(max_size=3))
                lines[place] = lines[place][:at] + junk + lines[place][at + draw(st.integers(0, 3)) :]
        data = b"\n".join(lines)
    return data


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("mutated") / "bench.toml"


@pytest.mark.attack
@settings(max_examples=150, deadline=None)
@given(mutations())
def test_a_mutated_file_gives_findings_or_a_station(scratch: Path, data: bytes) -> None:
    """Whatever is done to a station file, reading it gives a station or findings, never another error."""
    scratch.write_bytes(data)
    outcome(scratch)


@pytest.mark.attack
@settings(max_examples=2000, deadline=None)
@given(mutations())
def test_many_mutated_files_give_findings_or_a_station(scratch: Path, data: bytes) -> None:
    """The same, at length."""
    scratch.write_bytes(data)
    outcome(scratch)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_findings(scratch: Path, data: bytes) -> None:
    """Bytes that are no station file at all give findings."""
    scratch.write_bytes(data)
    assert outcome(scratch)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"", "bench.toml: the file is empty; expected a station file; begin with [station]"),
        (b" \n\t\n", "bench.toml: the file is empty"),
        (
            b"\xef\xbb\xbf[station]\n",
            "bench.toml:1: the file begins with a byte order mark; save it as UTF-8 without",
        ),
        (b'[station]\nname = "\xe4"\n', "bench.toml:2: byte 0xe4 is not UTF-8; save the file as UTF-8"),
        ("[station]".encode("utf-16"), "bench.toml:1: byte 0xff is not UTF-8"),
        (b"#" * (MAX_BYTES + 1), "bench.toml: the file is larger than 1024 KiB"),
        (
            b"[station]\nname = bench-1\n",
            'bench.toml:2: not TOML at column 8: Invalid value; write name = "bench-1"',
        ),
        (
            b"[station]\nname: bench-1\n",
            (
                "bench.toml:2: not TOML at column 5: Expected '=' after a key in a key/value "
                'pair; write name = "bench-1"'
            ),
        ),
        (
            b'[station]\nname = "a"\nname = "b"\n',
            "bench.toml:3: not TOML at column 11: Cannot overwrite a value; write ea",
        ),
        (b"[station]\n[station]\n", "bench.toml:2: not TOML at column 9: Cannot declare"),
        (b'[station]\nname = "a\n', "bench.toml:2: not TOML"),
        (b"a = [1, 2\n", "bench.toml:1: not TOML at the end: "),
        (b"a = " + b"[" * 100_000, "bench.toml: tables or lists nest deeper than 32 levels"),
        (b"a = " + b"[" * 40 + b"]" * 40, "bench.toml: tables or lists nest deeper than 32 levels"),
        (b".".join([b"a"] * 60) + b" = 1", "bench.toml: tables or lists nest deeper than 32 levels"),
        (b"a = " + b"9" * 5000, "bench.toml: not TOML: "),
    ],
)
def test_what_is_no_toml_is_said(tmp_path: Path, data: bytes, expected: str) -> None:
    """A file that can't be read as TOML gives one finding, with its line where there is one."""
    file = tmp_path / "bench.toml"
    file.write_bytes(data)
    assert outcome(file).startswith(f"{tmp_path}/{expected}")


def test_what_is_no_file_is_said(tmp_path: Path) -> None:
    """A missing file, a folder, a pipe and an impossible name are findings."""
    os.mkfifo(tmp_path / "pipe")
    assert ": there is no such file; " in outcome(tmp_path / "nowhere.toml")
    assert f": is a folder; expected a station file; name the file in it, as {tmp_path}" in outcome(tmp_path)
    assert ": is not a regular file; " in outcome(tmp_path / "pipe")
    assert ": can't be read: " in outcome(tmp_path / ("x" * 300))


def test_a_good_file_is_told_back(capsys: pytest.CaptureFixture[str]) -> None:
    """Of a right file, check says what it comes to, limits in the drawing's unit, and exits 0."""
    assert run(check, str(STATIONS / "inch-two-point.toml")) == 0
    told = capsys.readouterr().out.split("\n")
    assert told[0].endswith("inch-two-point.toml: station valve-cell, fit to run")
    assert "  ring-low: 0.31246 in, U = 20 µin (k = 2), serial number VC-0311" in told
    assert any(line.startswith("  guide-bore: bore 0.3125 to 0.3140 in with guide-bore") for line in told)
    assert "  part: 22.22 °C ± 1 K, declared" in told
    assert "thermal correction: complete" in told


def test_a_station_that_measures_nothing_has_no_correction(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Where there is no characteristic, nothing is called complete."""
    (tmp_path / "station.toml").write_text('[station]\nname = "new"\ntime_zone = "UTC"\n')
    assert run(check, str(tmp_path / "station.toml")) == 0
    told = capsys.readouterr().out
    assert "characteristics: none" in told
    assert "thermal correction" not in told


def test_what_the_thermal_correction_lacks_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    """Of a file without temperatures, check names every piece that is missing."""
    assert run(check, str(STATIONS / "minimal.toml")) == 0
    last = capsys.readouterr().out.strip().split("\n")[-1]
    assert last == (
        "  bush-bore: missing part_material, a temperature of the part, a temperature of the master, "
        "material or drift of gauge bore-38, a temperature of gauge bore-38, material of master ring-38"
    )


def test_errors_exit_2_and_the_other_files_are_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One wrong file among right ones makes the exit code 2, and every file is told."""
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[station]\nname = "a"\n[service]\nport = 0\n', encoding="utf-8")
    assert run(check, str(wrong), str(STATIONS / "minimal.toml")) == 2
    told = capsys.readouterr().out
    assert f"{wrong}:4: service.port: 0 can't be taken; expected 1 or more; write port = 8620\n" in told
    assert f"{wrong}: 1 error, not fit to run\n" in told
    assert "station brass-bench, fit to run\n" in told


def test_json_is_one_finding_a_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With --json each line is one finding, errors and warnings, and nothing else is printed."""
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[station]\nname = "a"\n[service]\nport = 0\n', encoding="utf-8")
    assert run(check, "--json", str(wrong), str(STATIONS / "minimal.toml")) == 2
    told = [json.loads(line) for line in capsys.readouterr().out.strip().split("\n")]
    assert [(one["line"], one["key"], one["severity"]) for one in told] == [
        (0, "gauges", "warning"),
        (1, "station.time_zone", "warning"),
        (4, "service.port", "error"),
    ]
    assert set(told[0]) == {"file", "line", "severity", "key", "finding", "expected", "write"}


def references(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key == "$ref":
                yield inner
            yield from references(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from references(inner)


def test_the_schema_has_every_part(capsys: pytest.CaptureFixture[str]) -> None:
    """The schema knows every section, the installed adapters' settings by kind, and explains each key."""
    assert run(schema) == 0
    told = json.loads(capsys.readouterr().out)
    parts = told["properties"]
    assert set(re.findall(rb"^\[([a-z]+)", COMPLETE, re.MULTILINE)) == {name.encode() for name in parts}
    (serial,) = (
        arm
        for arm in parts["links"]["additionalProperties"]["oneOf"]
        if arm["properties"]["kind"] == {"const": "serial_port"}
    )
    assert {"baud", "device", "decoder"} <= set(serial["properties"])
    assert {"kind", "decoder"} <= set(serial["required"])
    (csv,) = (
        arm
        for arm in parts["destinations"]["additionalProperties"]["oneOf"]
        if arm["properties"]["kind"] == {"const": "csv_file"}
    )
    assert {"from", "kinds", "path"} <= set(csv["properties"])
    gauge = parts["gauges"]["additionalProperties"]
    assert gauge["required"] == ["link", "contact", "display", "check_limit"]
    assert gauge["properties"]["contact"]["enum"] == ["two-point", "three-point", "single"]
    assert all(key["description"] for key in gauge["properties"].values())
    for reference in references(told):
        assert reference.removeprefix("#/$defs/") in told["$defs"]


def test_the_complete_example_has_every_key_of_a_sheet() -> None:
    """Whoever has a sheet filled finds every key of it in the example, in a comment at least."""
    inspection = COMPLETE.decode().partition("\n[destinations.inspection-sheet]")[2]
    settings = plugins.find(plugins.DESTINATIONS, "workbook").Settings
    (fill, _) = get_args(settings.model_fields["fill"].annotation)
    named = set(re.findall(r"^(?:# )?(\w+) = ", inspection, re.MULTILINE))
    assert {*settings.model_fields, *fill.model_fields} - {"fill"} <= named
