"""What is wrong in a station file: each thing is said at its line, with what was expected and what to write."""

from pathlib import Path

import pytest

from gaugepost.edge.stationfile import Severity, StationFileError
from tests.edge.station_text import BASE, edited, read


def findings(folder: Path, text: str) -> list[str]:
    with pytest.raises(StationFileError) as caught:
        read(folder, text)
    return [
        str(finding).removeprefix(f"{folder}/")
        for finding in caught.value.findings
        if finding.severity is Severity.ERROR
    ]


GAUGE = 'check_limit = "2 µm"'
CHARACTERISTIC = 'limits = "38 H7"'

WRONG: list[tuple[tuple[str, str], str]] = [
    (
        ('contact = "three-point"', 'contact = "3-point"'),
        (
            'bench.toml:16: gauges.bore-38.contact: "3-point" is not a contact; '
            'expected two-point, three-point or single; write contact = "three-point"'
        ),
    ),
    (
        ('contact = "three-point"', 'contct = "three-point"'),
        'bench.toml:14: gauges.bore-38.contact: is missing; write contact = "two-point"',
    ),
    (
        (GAUGE, f'{GAUGE}\nlinc = "port"'),
        'bench.toml:20: gauges.bore-38.linc: "linc" is not a key of a gauge; ',
    ),
    (
        (GAUGE, 'check_limit = "2"'),
        "bench.toml:19: gauges.bore-38.check_limit: '2' has no unit; write the unit too",
    ),
    (
        (GAUGE, "check_limit = 0.002"),
        (
            "bench.toml:19: gauges.bore-38.check_limit: 0.002 is a bare number; expected a length with its unit; "
            'write check_limit = "0.002 mm"'
        ),
    ),
    (
        (GAUGE, 'check_limit = "0 mm"'),
        "bench.toml:19: gauges.bore-38.check_limit: '0 mm' is not greater than zero; ",
    ),
    (
        (GAUGE, f"{GAUGE}\nmastering_readings = 0"),
        "bench.toml:20: gauges.bore-38.mastering_readings: 0 can't be taken",
    ),
    (
        (GAUGE, f'{GAUGE}\nmastering_readings = "3"'),
        'mastering_readings: "3" can\'t be taken; expected a whole number',
    ),
    (
        (GAUGE, f'{GAUGE}\nnominal = "38 mm"'),
        "gauges.bore-38.nominal: belongs to display from-nominal only; ",
    ),
    (('display = "absolute"', 'display = "from-nominal"'), "gauges.bore-38.nominal: is missing; "),
    (
        ('["35 mm", "45 mm"]', '["45 mm", "35 mm"]'),
        "is empty; expected two lengths, the smaller first; write size_range",
    ),
    (
        ('["35 mm", "45 mm"]', '["35 in", "45 in"]'),
        "the lower limit 38 mm (1.49606 in) is outside the size range of",
    ),
    (('["35 mm", "45 mm"]', '"35 mm"'), 'gauges.bore-38.size_range: "35 mm" is not a range; '),
    (
        (GAUGE, f'{GAUGE}\nmaterial = "gauge stell"'),
        "'gauge stell' is not a material known here; write \"gauge steel\"",
    ),
    ((GAUGE, f'{GAUGE}\ncoefficient = "11.5 /K"'), 'is steeper than any solid grows; write "11.5e-6 /K"'),
    (
        (GAUGE, f'{GAUGE}\ncoefficient = "11.5e-6 /K"\nmaterial = "brass"'),
        "bench.toml:20: gauges.bore-38.coefficient: material and coefficient say the same twice",
    ),
    ((GAUGE, f'{GAUGE}\ndebounce = "300"'), "gauges.bore-38.debounce: '300' is not a duration; "),
    ((GAUGE, f'{GAUGE}\nmastering_valid_for = "0 h"'), "mastering_valid_for: '0 h' is no time at all; "),
    ((GAUGE, f'{GAUGE}\nmastering_valid_for = "never expires"'), "'never expires' is not a duration; "),
    (
        (GAUGE, f'{GAUGE}\nsense = "up"'),
        'gauges.bore-38.sense: "up" is not a sense; expected rising or falling',
    ),
    ((GAUGE, f'{GAUGE}\nunit = "cm"'), "gauges.bore-38.unit: 'cm' is not a unit of length; "),
    (
        (GAUGE, f"{GAUGE}\ncalibration_due = 2027-03-31T10:00:00"),
        "calibration_due: 2027-03-31 10:00:00 is not a day; ",
    ),
    (
        (GAUGE, f'{GAUGE}\ncalibration_due = "31.3.2027"'),
        '"31.3.2027" is not a day; expected a day without a time; ',
    ),
    (
        ('link = "port"', 'link = "prt"'),
        'bench.toml:15: gauges.bore-38.link: "prt" is not a link of this file; expected port; write link = "port"',
    ),
    (
        ('size = "38.0012 mm"', 'size = "38.0012 in"'),
        'masters: no master is inside the size range of "bore-38"',
    ),
    (
        ('uncertainty = "0.8 µm"', 'uncertainty = "80 mm"'),
        "masters.ring-38.uncertainty: is not smaller than the size",
    ),
    (("coverage_factor = 2\n", ""), "bench.toml:21: masters.ring-38.coverage_factor: is missing; "),
    (
        ("coverage_factor = 2", "coverage_factor = 0.5"),
        "0.5 is not a coverage factor; expected a number from 1 to 10",
    ),
    (('uncertainty = "0.8 µm"\n', ""), "masters.ring-38.uncertainty: is missing; "),
    ((CHARACTERISTIC, 'limits = "38"'), "bench.toml:29: characteristics.bush.limits: "),
    ((CHARACTERISTIC, "# none"), "bench.toml:27: characteristics.bush: has no limits; "),
    (
        (CHARACTERISTIC, f'{CHARACTERISTIC}\nlower = "38 mm"'),
        "bench.toml:30: characteristics.bush.lower: limits are wr",
    ),
    ((CHARACTERISTIC, 'nominal = "38 mm"'), "characteristics.bush.tolerance_class: is missing; "),
    ((CHARACTERISTIC, 'nominal = "38 mm"\nupper_deviation = "1 µm"'), "bush.lower_deviation: is missing; "),
    (
        (CHARACTERISTIC, 'nominal = "38 mm"\nupper_deviation = "-1 µm"\nlower_deviation = "1 µm"'),
        "bush.upper_deviation: -1 µm is below the lower deviation 1 µm; exchange them",
    ),
    (
        ('feature = "bore"', 'feature = "shaft"'),
        'bush.feature: "shaft" does not go with the class in "38 H7"; ',
    ),
    (('feature = "bore"', 'feature = "hole"'), '"hole" is not a feature; expected bore or shaft'),
    (
        (CHARACTERISTIC, f"{CHARACTERISTIC}\nreadings = 0"),
        "bush.readings: 0 can't be taken; expected 1 or more",
    ),
    (
        (CHARACTERISTIC, 'limits = "38,000..38,025 mm"\nreadings = 0'),
        "bush.limits: '38,000..38,025 mm' has a comma; write the decimal mark as a point",
    ),
    ((CHARACTERISTIC, f'{CHARACTERISTIC}\nstep = "0 mm"'), "bush.step: '0 mm' is not greater than zero"),
    (
        (CHARACTERISTIC, f'{CHARACTERISTIC}\nunit = "µm"'),
        "'µm' is not a unit that drawings are dimensioned in; ",
    ),
    (
        ('gauges = ["bore-38"]', 'gauges = [\n  "bore-38",\n  "bore-39",\n]'),
        (
            'bench.toml:32: characteristics.bush.gauges[1]: "bore-39" is not a gauge of this file; '
            'expected bore-38; write "bore-38"'
        ),
    ),
    (
        ('gauges = ["bore-38"]', "gauges = []"),
        "bush.gauges: a list can't be taken; expected at least one in the list",
    ),
    (
        ('gauges = ["bore-38"]', 'gauges = "bore-38"'),
        'is not in a list; expected a list in brackets; write gauges = ["bo',
    ),
    (('masters = ["ring-38"]', 'masters = ["ring-39"]'), '"ring-39" is not a master of this file; '),
    (
        ('masters = ["ring-38"]', 'masters = ["ring-38", "ring-38"]'),
        'bush.masters[1]: "ring-38" stands here twice',
    ),
    (
        (CHARACTERISTIC, f'{CHARACTERISTIC}\ncombine = "mean"'),
        "bush.combine: there is one reading and no positions",
    ),
    (
        (CHARACTERISTIC, f'{CHARACTERISTIC}\ncombine = "mean"\npositions = ["top", "bottom"]'),
        (
            "bush.size_modifier: is missing: the mean is judged only where the drawing's size modifier says so; "
            'expected SA (ISO 14405-1); write size_modifier = "SA"'
        ),
    ),
    (
        (CHARACTERISTIC, f'{CHARACTERISTIC}\ncombine = "largest"\nreadings = 3'),
        "expected SX (ISO 14405-1)",
    ),
    (
        (
            CHARACTERISTIC,
            f'{CHARACTERISTIC}\ncombine = "smallest"\npositions = ["a", "b"]\nsize_modifier = "SX"',
        ),
        'SX does not go with combine = "smallest"; expected SN (ISO 14405-1); write size_modifier = "SN"',
    ),
    (
        (CHARACTERISTIC, f'{CHARACTERISTIC}\nsize_modifier = "GX"'),
        '"GX" is not a size modifier that can be judged here',
    ),
    (
        ('kind = "serial_port"', 'kind = "seral_port"'),
        'bench.toml:6: links.port.kind: "seral_port" is not an installed kind of link; expected ',
    ),
    (('kind = "serial_port"', 'kind = "seral_port"'), 'or serial_port; write kind = "serial_port"'),
    (
        ('kind = "delimited_text"\n', ""),
        "bench.toml:9: links.port.decoder.kind: is missing; expected ",
    ),
    (
        ('device = "/dev/ttyUSB0"', 'device = "ttyUSB0"'),
        "bench.toml:7: links.port.device: 'ttyUSB0' is not the path of",
    ),
    (
        ('device = "/dev/ttyUSB0"', 'device = "/dev/ttyUSB0"\nparity = "evn"'),
        (
            'links.port.parity: "evn" is not known here; expected "none", "even", "odd", "mark" or "space"; '
            'write parity = "even"'
        ),
    ),
    (
        ('device = "/dev/ttyUSB0"', 'device = "/dev/ttyUSB0"\nbuad = 9600'),
        'bench.toml:8: links.port.buad: "buad" is not a key of a link of kind "serial_port"; ',
    ),
    (("[gauges.bore-38]", '[gauges."bore 38"]'), 'gauges."bore 38": "bore 38" can\'t be a name; '),
    (("[station]", "[staton]"), 'bench.toml:1: staton: "staton" is not a part of a station file; '),
    (
        ("[station]", "[staton]"),
        "bench.toml: station: is missing; expected a table [station]; write [station]",
    ),
    (('time_zone = "Europe/Berlin"', 'time_zone = "Europe/Brelin"'), '"Europe/Brelin" is not a time zone; '),
    (('time_zone = "Europe/Berlin"', 'time_zone = "../etc/passwd"'), '"../etc/passwd" is not a time zone; '),
    (
        ('name = "bush-bench"', "name = 3"),
        "bench.toml:2: station.name: 3 can't be taken; expected text in quotes; ",
    ),
]


@pytest.mark.parametrize(("edit", "expected"), WRONG, ids=[expected[:60] for _, expected in WRONG])
def test_what_is_wrong_is_said(tmp_path: Path, edit: tuple[str, str], expected: str) -> None:
    """One mistake in a right file gives a finding with its line, its key and what to write."""
    said = findings(tmp_path, edited(edit))
    assert any(expected in finding for finding in said), said


MORE: list[tuple[str, str]] = [
    ("gauges = 3", "gauges: 3 is not a table; expected tables [gauges.NAME]"),
    ('[service]\nhost = "0.0.0.0"', "and without TLS all on the way can read"),
    ('[service]\nhost = "bench-1"', '"bench-1" is no address; expected an address of this computer'),
    ('[service]\ncertificate_file = "a.pem"', "is of no use without key_file"),
    ('[service]\nnames = ["https://bench-1"]', "is no name of a computer"),
    (
        '[service]\nhost = "0.0.0.0"\ncertificate_file = "a.pem"\nkey_file = "a.key"',
        "none of its names is known",
    ),
    (
        '[service]\nhost = "::"\ncertificate_file = "a.pem"\nkey_file = "a.key"\nnames = ["b.example"]\ntokens = false',
        "who could all master, void and measure",
    ),
    ("[service]\nport = 0", "service.port: 0 can't be taken; expected 1 or more; write port = 8620"),
    ("[service]\nport = 65536", "service.port: 65536 can't be taken; expected 65535 or less"),
    ('[temperatures]\npart = "215 °C"', "temperatures.part: '215 °C' is no temperature of a bench; "),
    ('[temperatures]\npart = "21 K"', "temperatures.part: '21 K' is not a temperature; "),
    (
        '[temperatures.part]\nvalue = "21 °C"\nspread = "-1 K"',
        "temperatures.part.spread: '-1 K' is not a difference",
    ),
    ('[temperatures]\noil = "21 °C"', 'temperatures.oil: "oil" is not a key of a body with a temperature; '),
    (
        '[gauges.twin]\nlink = "port"\ncontact = "single"\ndisplay = "absolute"\ncheck_limit = "1 µm"',
        'gauges.twin.link: "bore-38" has link "port" already, frames could not be told apart; ',
    ),
    (
        '[thermometers.t]\nlink = "port"\nbody = "part"\nstands_in_for = ["gauge"]\nspread = "1 K"',
        "thermometers.t.stands_in_for: only the air may stand in for another body; ",
    ),
    (
        '[thermometers.t]\nlink = "port"\nbody = "air"\nstands_in_for = ["gauge"]',
        "thermometers.t.spread: is missing; ",
    ),
    (
        '[thermometers.t]\nlink = "port"\nbody = "part"\ngauge = "bore-38"',
        "gauge: belongs to body gauge only; ",
    ),
    (
        '[thermometers.t]\nlink = "port"\nbody = "gauge"\ngauge = "bore"',
        '"bore" is not a gauge of this file; ',
    ),
    ('[thermometers.t]\nlink = "nowhere"\nbody = "air"', '"nowhere" is not a link of this file; '),
    ('[links.other]\nkind = "serial_port"\ndevice = "/dev/ttyS0"', "links.other.decoder: is missing; "),
    (
        '[destinations.d]\nkind = "csv_fil"',
        '"csv_fil" is not an installed kind of destination; expected csv_file, ',
    ),
    (
        '[destinations.d]\nkind = "csv_file"\nkinds = ["redaing"]',
        'kinds[0]: "redaing" is not a kind of record; ',
    ),
    (
        '[destinations.d]\nkind = "csv_file"\nfrom = "then"',
        'is not a place to begin; expected beginning or now, or a day or time; write from = "2026-11-01T06:00"',
    ),
    (
        '[destinations.d]\nkind = "csv_file"\nfrom = "2026-02-30"',
        'from: "2026-02-30" is no day or time; expected beginning or now, or',
    ),
    (
        '[destinations.d]\nkind = "csv_file"\nfrom = "nwo"',
        'from: "nwo" is not a place to begin; expected beginning or now, or a day or time; write from = "now"',
    ),
    (
        '[destinations.d]\nkind = "csv_file"\nfrom = 0226-11-01',
        "from: the year 226 can't be meant; ",
    ),
    (
        '[destinations.d]\nkind = "csv_file"\npth = "x"',
        'destinations.d.pth: "pth" is not a key of a destination of kind',
    ),
]


@pytest.mark.parametrize(("more", "expected"), MORE, ids=[expected[:60] for _, expected in MORE])
def test_what_is_wrong_beside_it_is_said(tmp_path: Path, more: str, expected: str) -> None:
    """A wrong table beside right ones gives a finding of its own."""
    text = (
        f"{more}\n{BASE.replace('[gauges.bore-38]', '[gages.bore-38]')}"
        if "= 3" in more
        else f"{BASE}{more}\n"
    )
    said = findings(tmp_path, text)
    assert any(expected in finding for finding in said), said


def test_everything_is_said_at_once(tmp_path: Path) -> None:
    """Many mistakes in one file are all found in one reading, in the order of the file."""
    text = edited(
        ('time_zone = "Europe/Berlin"', 'time_zone = "Mars"'),
        ('device = "/dev/ttyUSB0"', 'device = "/dev/ttyUSB0"\nbaud = "fast"'),
        ('contact = "three-point"', 'contact = "3-point"'),
        ('display = "absolute"', 'display = "from-nominal"'),
        ('size = "38.0012 mm"', 'size = "38.0012"'),
        ('limits = "38 H7"', 'limits = "38 H7"\nreadings = 0\ncombine = "largest"'),
        ('masters = ["ring-38"]', 'masters = ["ring"]'),
    )
    said = findings(tmp_path, text)
    assert [(line.split(":")[1], line.split(": ")[1]) for line in said] == [
        ("3", "station.time_zone"),
        ("8", "links.port.baud"),
        ("15", "gauges.bore-38.nominal"),
        ("17", "gauges.bore-38.contact"),
        ("23", "masters.ring-38.size"),
        ("28", "characteristics.bush.size_modifier"),
        ("31", "characteristics.bush.readings"),
        ("34", "characteristics.bush.masters[0]"),
    ]
