"""The tables of a station file: every key, what it may hold and what it means.

The models check each key by itself. What keys say to one another is checked in `checks`.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from gaugepost.core.record import Kind
from gaugepost.core.setup import (
    ClassOfRing,
    Combine,
    Feature,
    Requirement,
)
from gaugepost.edge.stationfile.tables.common import (
    AnyBody as AnyBody,
    Count as Count,
    Names as Names,
    Table as Table,
    Words as Words,
)
from gaugepost.edge.stationfile.tables.gauges import GaugeTable as GaugeTable, StreamTable as StreamTable
from gaugepost.edge.stationfile.tables.senders import (
    ScannerTable as ScannerTable,
    ThermometerTable as ThermometerTable,
    TriggerTable as TriggerTable,
)
from gaugepost.edge.stationfile.values import (
    AnyLength,
    Begin,
    BenchC,
    Coefficient,
    Day,
    DecisionRule,
    Degrees,
    DifferenceK,
    DrawnUnit,
    Factor,
    HalfWidth,
    LastingMs,
    Level,
    LotChecks,
    Material,
    PositiveLength,
    SizeBytes,
    StartFrom,
    choice,
    words_of,
)

RingClass = Annotated[ClassOfRing, choice(ClassOfRing, "a class"), words_of(ClassOfRing)]


class StationTable(Table):
    """The station as a whole."""

    what = "the station"
    name: Words = Field(examples=["bench-1"])
    """The station's name, as records carry it."""
    time_zone: Words | None = Field(default=None, examples=["Europe/Berlin"])
    """IANA name of the zone that due dates and daily files go by; UTC where it is missing."""
    data: Words = "data"
    """Folder of the journal and of relative paths, itself relative to this file."""
    lot_checks: LotChecks = True
    """Whether one check closes a lot and opens the next; or a list, opening and closing, of checks for each lot."""
    decision_rule: DecisionRule | None = None
    """Decision rule of every characteristic that names none; simple acceptance where it is missing."""
    level_of_confidence: Level | None = None
    """Level of confidence of expanded uncertainties; 95.45 %, so that k is 2 or a little more, where it is missing."""
    rounding: bool = False
    """Whether values are rounded for their verdict (ASTM E29) where simple acceptance decides and they don't say."""
    disk_floor: SizeBytes = 10**9
    """What shall stay free on the journal's disk: with less, the service says so wherever it can. 1 GB."""
    disk_warning: LastingMs = 60 * 86_400_000
    """How long before the floor is reached, at the present rate, the service warns. 60 days."""


class ServiceTable(Table):
    """Where the REST interface listens, and who may ask: this computer's own programs, where nothing is said."""

    what = "the service"
    host: Words = "127.0.0.1"
    """An address of this computer; beyond loopback it takes a certificate, names and tokens."""
    port: Annotated[int, Field(ge=1, le=65535)] = 8620
    """TCP port."""
    certificate_file: Words | None = None
    """Certificate (PEM, with the chain above it) that the service shows, from the data folder on."""
    key_file: Words | None = None
    """Its private key (PEM, without a passphrase), from the data folder on."""
    names: list[Words] = Field(default=[], max_length=20)
    """Names and addresses under which other computers reach the service."""
    tokens: bool | None = None
    """Whether every request must bring a token; true where other computers can ask."""


class TemperatureTable(Table):
    """A temperature that somebody vouches for instead of measuring it."""

    what = "a declared temperature"
    value: BenchC
    """The temperature."""
    spread: DifferenceK | None = None
    """How far the body may be from it, either way."""


def _as_table(said: object) -> object:
    """Return the table that `part = "21.5 °C"` is short for."""
    return said if isinstance(said, dict) else {"value": said}


Declared = Annotated[TemperatureTable, BeforeValidator(_as_table)]


class TemperaturesTable(Table):
    """Declared temperatures by body."""

    what = "a body with a temperature"
    part: Declared | None = None
    """The part's temperature."""
    master: Declared | None = None
    """The master's temperature."""
    gauge: Declared | None = None
    """The temperature of every gauge."""
    air: Declared | None = None
    """The temperature of the air at the bench."""


class MasterTable(Table):
    """A setting ring, plug or block with its certificate."""

    what = "a master"
    size: PositiveLength = Field(examples=["38.0012 mm"])
    """Its calibrated size at 20 °C."""
    uncertainty: PositiveLength | None = None
    """Expanded uncertainty of its size, with `coverage_factor`."""
    coverage_factor: Factor | None = None
    """Coverage factor k of `uncertainty`."""
    material: Material | None = None
    """What it is made of, for its growth with temperature."""
    coefficient: Coefficient | None = None
    """Its coefficient of expansion, instead of `material`."""
    tolerance_class: RingClass | None = None
    """Its class (ASME B89.1.5), where `size` is nominal for want of a calibrated value."""
    coefficient_uncertainty: HalfWidth | None = None
    """How far its coefficient may be off, either way; where it is missing as handbook values are."""
    certificate_degrees_of_freedom: Count | None = None
    """Degrees of freedom of `uncertainty`, where the certificate states them."""
    certificate: Words | None = Field(default=None, examples=["C-2026-114"])
    """Number of its certificate; the errors of two masters that share one are taken as correlated."""
    drift_per_year: PositiveLength | None = None
    """How far its size may drift in a year, either way; with `calibrated`."""
    calibrated: Day | None = None
    """The day it was calibrated on."""
    serial_number: Words | None = None
    """The number engraved on it, by which it is confirmed."""
    due: Day | None = None
    """The last day on which its calibration holds."""


class PositionTable(Table):
    """A place on the feature, and where it is."""

    what = "a position"
    name: Words = Field(examples=["top"])
    """What records call it."""
    angle: Degrees | None = None
    """Around the axis, for ovality."""
    depth: AnyLength | None = None
    """Along the axis, for taper, barrel and bell-mouth."""


def _as_position(said: object) -> object:
    """Return the table that "top" is short for."""
    return {"name": said} if isinstance(said, str) else said


Required = Annotated[Requirement, choice(Requirement, "a requirement"), words_of(Requirement)]
Position = Annotated[PositionTable, BeforeValidator(_as_position)]


class CharacteristicTable(Table):
    """One thing to measure on the drawing. Its limits are written in one of four ways."""

    what = "a characteristic"
    feature: Annotated[Feature, choice(Feature, "a feature"), words_of(Feature)]
    """The kind of feature of size."""
    limits: Words | None = Field(default=None, examples=["38 H7"])
    """The limits as the drawing writes them."""
    lower: AnyLength | None = None
    """Lower limit of size; may stand without `upper`."""
    upper: AnyLength | None = None
    """Upper limit of size; may stand without `lower`."""
    nominal: AnyLength | None = None
    """Nominal size, with deviations or a tolerance class."""
    upper_deviation: AnyLength | None = None
    """Upper limit deviation from `nominal`."""
    lower_deviation: AnyLength | None = None
    """Lower limit deviation from `nominal`."""
    tolerance_class: Words | None = Field(default=None, examples=["H7"])
    """Tolerance class of ISO 286-1, with `nominal`."""
    unit: DrawnUnit | None = None
    """The drawing's unit; that of the limits where it is missing."""
    step: PositiveLength | None = None
    """Step that values are displayed to."""
    part_material: Material | None = None
    """What the part is made of, for its growth with temperature."""
    part_coefficient: Coefficient | None = None
    """The part's coefficient of expansion, instead of `part_material`."""
    part_coefficient_uncertainty: HalfWidth | None = None
    """How far the part's coefficient may be off, either way; where it is missing as handbook values are."""
    gauges: Names = Field(examples=[["bore-38"]])
    """Gauges that may measure it."""
    masters: Names | None = None
    """Masters that serve it; any where it is missing."""
    readings: Count = 1
    """Readings at each place."""
    combine: Annotated[Combine, choice(Combine, "a way to combine"), words_of(Combine)] = Combine.EACH
    """How readings become the result that is judged."""
    positions: Annotated[list[Position], Field(min_length=1)] | None = None
    """Places on the feature that are measured: names, or tables with a name, an angle and a depth."""
    size_modifier: Words | None = Field(default=None, examples=["SA"])
    """The drawing's size modifier (ISO 14405-1) that allows combining over places: SA, SX, SN, SM, SD or SR."""
    lobes: Annotated[int, Field(ge=2, le=100)] | None = None
    """How many lobes the form has that matters: warns where a gauge's contact can't see them."""
    requirements: list[Required] = Field(default=[])
    """What the drawing asks for beside and is not judged here: the envelope requirement, the maximum material one."""
    decision_rule: DecisionRule | None = None
    """Rule that it is accepted by, with its number where not the standard's; the station's where it is missing."""
    rounding: bool | None = None
    """Whether the value is rounded to the limits' last digit for its verdict (ASTM E29); as the station says where it
    is missing."""


class LinkTable(Table):
    """What every link has; the rest belongs to its adapter."""

    what = "a link"
    kind: Words
    """Name of the adapter that carries the bytes."""


class DecoderTable(Table):
    """What every decoder has; the rest belongs to its adapter."""

    what = "a decoder"
    kind: Words
    """Name of the adapter that reads the bytes."""


class DestinationTable(Table):
    """What every destination has; the rest belongs to its adapter."""

    what = "a destination"
    kind: Words
    """Name of the adapter that takes the records."""
    kinds: (
        Annotated[
            list[Annotated[Kind, choice(Kind, "a kind of record"), words_of(Kind)]], Field(min_length=1)
        ]
        | None
    ) = None
    """Kinds of records it gets; what was measured, and what became of it, where it is missing."""
    start_from: Begin = Field(default=StartFrom.BEGINNING, alias="from")
    """Where it begins in the journal when it is new: "beginning", "now", or with the first record of a day or time."""
