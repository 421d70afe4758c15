"""The station file: what it resolves to, from every way of writing it."""

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.core.materials import coefficient_of
from gaugepost.core.quantity import Unit
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.core.setup import Body, Combine, Contact, Display, Feature, from_document, to_document
from gaugepost.edge.stationfile import StartFrom, read_station
from tests.edge.station_text import BASE, edited, read

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "deploy" / "stations").glob("*.toml"))
COMPLETE = ROOT / "deploy" / "stations" / "complete.toml"


GAUGE = 'check_limit = "2 µm"'
CHARACTERISTIC = 'limits = "38 H7"'


def test_what_a_station_resolves_to(tmp_path: Path) -> None:
    """Lengths come out in mm, times in ms, defaults filled in, links with their settings."""
    station = read(tmp_path, BASE)
    assert station.findings == ()
    assert (station.name, station.zone.key, station.host, station.port) == (
        "bush-bench",
        "Europe/Berlin",
        "127.0.0.1",
        8620,
    )
    assert station.data == tmp_path / "data"
    gauge = station.set_up.gauges["bore-38"]
    assert (gauge.contact, gauge.display, gauge.unit) == (Contact.THREE_POINT, Display.ABSOLUTE, None)
    assert gauge.size_range_mm == (Decimal(35), Decimal(45))
    assert (gauge.check_limit_mm, gauge.preset_limit_mm) == (Decimal("0.002"), Decimal("0.1"))
    assert (gauge.valid_for_ms, gauge.debounce_ms) == (8 * 3_600_000, 300)
    assert (gauge.mastering_readings, gauge.check_readings, gauge.sense) == (3, 1, 1)
    master = station.set_up.masters["ring-38"]
    assert (master.size_mm, master.uncertainty_mm, master.coverage_factor) == (
        Decimal("38.0012"),
        Decimal("0.0008"),
        Decimal(2),
    )
    bush = station.set_up.characteristics["bush"]
    # ISO 286-1:2010: 38 H7 is 38.000 to 38.025 mm.
    assert (bush.feature, bush.lower_mm, bush.upper_mm, bush.nominal_mm) == (
        Feature.BORE,
        Decimal(38),
        Decimal("38.025"),
        Decimal(38),
    )
    assert (bush.unit, bush.step, bush.combine) == (Unit.MM, Decimal("0.001"), Combine.EACH)
    plan = station.links["port"]
    assert (plan.kind, plan.decoder_kind) == ("serial_port", "delimited_text")
    assert plan.settings.model_dump()["device"] == "/dev/ttyUSB0"
    assert '"device":"/dev/ttyUSB0"' in station.set_up.links["port"].settings


def test_a_due_day_ends_at_the_stations_midnight(tmp_path: Path) -> None:
    """Calibration due on a day holds through that day where the station stands, summer time included."""
    # Derived: Central European Summer Time, UTC+2, holds from 28 March 2027.
    due = read(tmp_path, BASE).set_up.masters["ring-38"].due_utc_ms
    assert due is not None
    assert datetime.fromtimestamp(due / 1000, UTC) == datetime(2027, 3, 31, 21, 59, 59, 999000, UTC)


def test_inch_and_metric_mix(tmp_path: Path) -> None:
    """Every length is exact in mm whatever unit it was written in, and the drawing keeps its own."""
    station = read(
        tmp_path,
        edited(
            ('check_limit = "2 µm"', 'check_limit = "0.0001 in"\nresolution = "50 uin"'),
            ('size = "38.0012 mm"', 'size = "1.4961 in"'),
            ('limits = "38 H7"', 'lower = "1.4960 in"\nupper = "38.0213 mm"\nunit = "in"'),
        ),
    )
    # NIST SP 811, B.6: 1 in = 25.4 mm exactly; 0.0001 in = 0.002 54 mm; 0.000 05 in = 0.001 27 mm.
    gauge = station.set_up.gauges["bore-38"]
    assert (gauge.check_limit_mm, gauge.resolution_mm) == (Decimal("0.00254"), Decimal("0.00127"))
    assert station.set_up.masters["ring-38"].size_mm == Decimal("1.4961") * Decimal("25.4")
    bush = station.set_up.characteristics["bush"]
    assert (bush.lower_mm, bush.upper_mm, bush.unit) == (Decimal("37.9984"), Decimal("38.0213"), Unit.INCH)


@pytest.mark.parametrize(
    ("written", "lower", "upper"),
    [
        # ISO 286-1:2010: 38 H7.
        ('nominal = "38 mm"\ntolerance_class = "H7"', "38", "38.025"),
        ('nominal = "38 mm"\nupper_deviation = "25 µm"\nlower_deviation = "0 mm"', "38", "38.025"),
        ('lower = "38.000 mm"\nupper = "38.025 mm"', "38", "38.025"),
        ('upper = "38.025 mm"', None, "38.025"),
        ('lower = "38 mm"', "38", None),
    ],
)
def test_limits_are_written_in_one_of_four_ways(
    tmp_path: Path, written: str, lower: str | None, upper: str | None
) -> None:
    """The ways of writing limits lead to the same exact limits."""
    bush = read(tmp_path, edited(('limits = "38 H7"', written))).set_up.characteristics["bush"]
    assert bush.lower_mm == (None if lower is None else Decimal(lower))
    assert bush.upper_mm == (None if upper is None else Decimal(upper))


def test_temperatures_and_thermometers(tmp_path: Path) -> None:
    """A temperature is declared with or without its spread, or measured; the air stands in only with one."""
    station = read(
        tmp_path,
        BASE + '[temperatures]\npart = "70.7 °F"\nmaster = { value = "20.5 °C", spread = "0.5 K" }\n'
        '[thermometers.air]\nlink = "port"\nchannel = "2"\nbody = "air"\nstands_in_for = ["gauge"]\n'
        'spread = "1 K"\nmax_age = "90 s"\n',
    )
    part, master = station.set_up.declared
    assert (part.body, part.celsius, part.spread_k) == (Body.PART, Decimal("21.5"), None)
    assert (master.body, master.celsius, master.spread_k) == (Body.MASTER, Decimal("20.5"), Decimal("0.5"))
    air = station.set_up.thermometers["air"]
    assert (air.body, air.stands_in_for, air.spread_k, air.max_age_ms) == (
        Body.AIR,
        (Body.GAUGE,),
        Decimal(1),
        90_000,
    )


def test_growth_is_a_material_a_coefficient_or_a_drift(tmp_path: Path) -> None:
    """Materials come from the table, coefficients per kelvin as written, a drift in mm/K."""
    station = read(
        tmp_path,
        edited(
            ('check_limit = "2 µm"', 'check_limit = "2 µm"\ndrift = "-0.8 µm/K"'),
            ("coverage_factor = 2", 'coverage_factor = "2.0"\ncoefficient = "11.2e-6 /K"'),
            ('limits = "38 H7"', 'limits = "38 H7"\npart_material = "Aluminum 6061"'),
        ),
    )
    assert station.set_up.gauges["bore-38"].drift_mm_per_k == Decimal("-0.0008")
    assert station.set_up.masters["ring-38"].coefficient == Decimal("0.0000112")
    # Callister, Table B.6: 23.6e-6 1/K.
    assert station.set_up.characteristics["bush"].coefficient == Decimal("0.0000236")
    # JCGM 100:2008, H.1: 11.5e-6 1/K.
    assert coefficient_of("gauge steel") == Decimal("0.0000115")


def test_destinations_have_their_common_keys(tmp_path: Path) -> None:
    """Kinds and the place to begin belong to the station, the rest to the adapter."""
    station = read(
        tmp_path,
        BASE
        + '[destinations.day]\nkind = "csv_file"\npath = "day.csv"\nkinds = ["reading", "void"]\nfrom = "now"\n'
        '[destinations.all]\nkind = "csv_file"\n',
    )
    day, everything = station.destinations["day"], station.destinations["all"]
    assert (day.kinds, day.from_, day.problem) == (("reading", "void"), StartFrom.NOW, None)
    assert day.settings is not None
    assert day.settings.model_dump()["path"] == "day.csv"
    assert (everything.kinds, everything.from_) == (PUBLISHED_KINDS, StartFrom.BEGINNING)


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        # Berlin is at UTC+1 in winter and UTC+2 in summer (IANA time zone database, Europe/Berlin).
        ("2026-11-01", "2026-10-31T23:00:00"),
        ('"2026-07-01"', "2026-06-30T22:00:00"),
        ('"2026-11-01T06:00"', "2026-11-01T05:00:00"),
        ("2026-07-01T06:00:00", "2026-07-01T04:00:00"),
        ("2026-07-01 06:00:00Z", "2026-07-01T06:00:00"),
        ('"2026-07-01 06:00:30-05:00"', "2026-07-01T11:00:30"),
    ],
)
def test_a_destination_begins_at_a_time_of_the_station(tmp_path: Path, written: str, utc: str) -> None:
    """A day or time goes by the station's zone unless it names its own, as a TOML time or as text."""
    station = read(tmp_path, BASE + f'[destinations.d]\nkind = "csv_file"\nfrom = {written}\n')
    assert station.destinations["d"].from_ == datetime.fromisoformat(utc + "+00:00")


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_the_examples_are_right(example: Path) -> None:
    """Every example that ships can run as it is, without a warning, and its set-up survives the journal."""
    station = read_station(example)
    assert station.findings == ()
    assert from_document(to_document(station.set_up)) == station.set_up


def test_there_are_examples() -> None:
    """Three examples ship."""
    assert [example.stem for example in EXAMPLES] == ["complete", "inch-two-point", "minimal"]


def test_repeats_at_one_place_may_be_averaged(tmp_path: Path) -> None:
    """The mean of several readings at one place needs no size modifier."""
    bush = read(tmp_path, edited(('limits = "38 H7"', 'limits = "38 H7"\ncombine = "mean"\nreadings = 3')))
    assert bush.set_up.characteristics["bush"].combine is Combine.MEAN


@pytest.mark.parametrize(
    ("edit", "expected"),
    [
        (
            ('time_zone = "Europe/Berlin"\n', ""),
            "station.time_zone: is missing, so due dates and daily files go by UTC",
        ),
        (
            ('check_limit = "2 µm"', 'check_limit = "0.002 in"'),
            "gauges.bore-38.check_limit: is not smaller than the whole",
        ),
        (
            ('uncertainty = "0.8 µm"', 'uncertainty = "0.8 mm"'),
            "masters.ring-38.uncertainty: is more than a quarter of",
        ),
        (
            (GAUGE, f'{GAUGE}\nresolution = "0.01 mm"'),
            "gauges.bore-38.resolution: is more than a tenth of the tolerance",
        ),
        (
            (GAUGE, f'{GAUGE}\ndrift = "1 µm/K"\nmaterial = "brass"'),
            "material: is not used, drift replaces it",
        ),
        (
            (CHARACTERISTIC, f'{CHARACTERISTIC}\nsize_modifier = "SX"'),
            "is not used: each place is judged by itself",
        ),
        (
            ("[masters.ring-38]", '[masters.spare]\nsize = "40 mm"\n[masters.ring-38]'),
            "no characteristic names this master",
        ),
        (
            (
                "[masters.ring-38]",
                (
                    '[gauges.spare]\nlink = "port"\nchannel = "2"\ncontact = "single"\n'
                    'display = "absolute"\ncheck_limit = "1 µm"\n[masters.ring-38]'
                ),
            ),
            "gauges.spare: no characteristic names this gauge",
        ),
        (
            (
                "[gauges.bore-38]",
                (
                    '[links.spare]\nkind = "serial_port"\ndevice = "/dev/ttyS0"\n[links.spare.decoder]\n'
                    'kind = "delimited_text"\npattern = "{value}"\nunit = "mm"\n[gauges.bore-38]'
                ),
            ),
            "links.spare: no gauge, thermometer, scanner or trigger uses this link",
        ),
    ],
    ids=lambda value: value[:40] if isinstance(value, str) else "",
)
def test_a_warning_does_not_stop_the_station(tmp_path: Path, edit: tuple[str, str], expected: str) -> None:
    """What an inspector would ask about is said, and the station can run."""
    said = [str(finding) for finding in read(tmp_path, edited(edit)).findings]
    assert len(said) == 1
    assert expected in said[0]
    assert ": warning: " in said[0]
