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
    Confirm,
    Contact,
    Display,
    Feature,
    Opens,
    Requirement,
    Takes,
)
from gaugepost.edge.stationfile.tables.common import (
    AnyBody as AnyBody,
    Count as Count,
    Names as Names,
    Table as Table,
    Words as Words,
)
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
    Drift,
    DurationMs,
    Factor,
    GaugeUnit,
    HalfWidth,
    LastingMs,
    LengthRange,
    Level,
    Material,
    PositiveLength,
    Sense,
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
    lot_checks: bool = True
    """Whether lots open and close with a check."""
    decision_rule: DecisionRule | None = None
    """Decision rule of every characteristic that names none; simple acceptance where it is missing."""
    level_of_confidence: Level | None = None
    """Level of confidence of expanded uncertainties; 95.45 %, so that k is 2 or a little more, where it is missing."""


class ServiceTable(Table):
    """Where the bench page and the REST interface listen: this computer only."""

    what = "the service"
    host: Words = "127.0.0.1"
    """A loopback address."""
    port: Annotated[int, Field(ge=1, le=65535)] = 8620
    """TCP port."""


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


class StreamTable(Table):
    """How one indication is taken out of a stream."""

    what = "a stream"
    takes: Annotated[Takes, choice(Takes, "what is taken"), words_of(Takes)]
    """The turning point of a rocking (smallest) or a passing (largest), or the value at rest (settled)."""
    opens: Annotated[Opens, choice(Opens, "a way to open"), words_of(Opens)] = Opens.ASKED
    """When a window opens: when the gauge is asked for its value, or by itself after a pause or out of range."""
    window: LastingMs = Field(default="10 s", validate_default=True)
    """How long one indication may take."""
    turn: PositiveLength | None = Field(default=None, examples=["10 µm"])
    """How far it must turn back, on both sides; for smallest and largest."""
    turns: Annotated[int, Field(ge=1, le=20)] = 1
    """How many turning points are waited for; the best of them counts."""
    steady_within: PositiveLength | None = Field(default=None, examples=["1 µm"])
    """Within what it must stay to be settled."""
    steady_for: LastingMs = Field(default="1 s", validate_default=True)
    """How long it must stay there."""


class GaugeTable(Table):
    """A gauge at the station."""

    what = "a gauge"
    link: Words = Field(examples=["bore-serial"])
    """Name of the link that carries its frames."""
    channel: Annotated[str, Field(max_length=200)] = ""
    """The gauge's channel where a link carries several."""
    contact: Annotated[Contact, choice(Contact, "a contact"), words_of(Contact)]
    """How it touches the surface."""
    display: Annotated[Display, choice(Display, "a display"), words_of(Display)]
    """What its digits stand for: the size, the difference from the master, or the difference from `nominal`."""
    nominal: PositiveLength | None = Field(default=None, examples=["38 mm"])
    """What the display counts from; for display from-nominal only."""
    unit: GaugeUnit = Field(default="as sent", validate_default=True)
    """Unit of its digits where the frame names none."""
    resolution: PositiveLength | None = None
    """Step of its display."""
    size_range: LengthRange | None = None
    """Sizes it can measure."""
    indication_range: LengthRange | None = None
    """Values it can show."""
    sense: Annotated[Sense, choice(Sense, "a sense"), words_of(Sense)] = Sense.RISING
    """Which way the indication goes as the size grows."""
    material: Material | None = None
    """What it is made of between its contacts, for its growth with temperature."""
    coefficient: Coefficient | None = None
    """Its coefficient of expansion, instead of `material`."""
    coefficient_uncertainty: HalfWidth | None = None
    """How far its coefficient may be off, either way; where it is missing as handbook values are."""
    drift: Drift | None = None
    """How a hand-warmed frame drifts; replaces `material` and `coefficient`."""
    calibration_due: Day | None = None
    """The last day on which its calibration holds."""
    maximum_error: PositiveLength | None = None
    """Maximum permissible error from its certificate."""
    repeatability: PositiveLength | None = None
    """Standard deviation of one reading; where it is missing, from its own masterings and checks."""
    repeatability_degrees_of_freedom: Count | None = None
    """Degrees of freedom of `repeatability`: readings it was found from, less one for each mean."""
    debounce: DurationMs = Field(default=300)
    """The same digits again within this time are one send, doubled."""
    ask_every: LastingMs | None = Field(default=None, examples=["500 ms"])
    """How often it is asked for its value; where it is missing, when somebody wants it."""
    answer_within: LastingMs = Field(default="1 s", validate_default=True)
    """How long an answer is waited for; what comes later is a bad frame."""
    mastering_readings: Count = 3
    """Readings of the master that make a mastering."""
    check_readings: Count = 1
    """Readings of the master that make a check."""
    preset_limit: PositiveLength = Field(default="0.1 mm", validate_default=True)
    """How far the indication on the master may be from what the display predicts."""
    check_limit: PositiveLength
    """How far a check may be from the master's size."""
    mastering_valid_for: LastingMs = Field(default="8 h", validate_default=True)
    """How long a mastering counts."""
    mastering_valid_count: Annotated[int, Field(ge=1)] | None = None
    """How many readings a mastering counts for."""
    mastering_valid_band: DifferenceK | None = None
    """How far temperatures may move before a mastering stops to count."""
    mastering_soak: DifferenceK | None = Field(default=None, examples=["0.2 K"])
    """How far ring and gauge may move in temperature within `mastering_soak_window`; flagged, and drifting readings."""
    mastering_soak_window: LastingMs = Field(default="10 min", validate_default=True)
    """Time over which they must have stood still, up to 1 h."""
    mastering_soak_refuses: bool = False
    """Whether a mastering is refused while they drift, instead of flagged."""
    mastering_spread_limit: PositiveLength | None = None
    """How far the readings of one master may spread; further is refused."""
    mastering_jump_limit: PositiveLength | None = None
    """How far a mastering may be from the last one; further is flagged, and what was measured between is suspect."""
    mastering_reach: PositiveLength | None = None
    """How far a master may be from the nominal size of what is measured; further is flagged."""
    confirm_master: Annotated[Confirm, choice(Confirm, "a way to confirm"), words_of(Confirm)] | None = None
    """What must prove which master it is: its serial number, or a second master, by mastering or first check."""
    compare_masters: bool = True
    """Whether a mastering or check that does not fit is compared with the other masters, to name one that does."""
    stream: StreamTable | None = None
    """For a gauge that sends without an end: which of its indications counts."""


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
    """The drawing's size modifier (ISO 14405-1) that allows combining over places: SA, SX or SN."""
    lobes: Annotated[int, Field(ge=2, le=100)] | None = None
    """How many lobes the form has that matters: warns where a gauge's contact can't see them."""
    requirements: list[Required] = Field(default=[])
    """What the drawing asks for beside and is not judged here: the envelope requirement, the maximum material one."""
    decision_rule: DecisionRule | None = None
    """Rule that it is accepted by, with its number where not the standard's; the station's where it is missing."""
    rounding: bool = False
    """Whether the value is rounded to the limits' last digit for its verdict (ASTM E29); else it is not."""


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
