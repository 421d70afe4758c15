"""Gauges: how each is read, mastered and checked."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from gaugepost.core.setup import Confirm, Contact, Display, Opens, Takes
from gaugepost.edge.stationfile.tables.common import Count, Names, Table, Words
from gaugepost.edge.stationfile.values import (
    ClockMinute,
    Coefficient,
    Day,
    DifferenceK,
    Drift,
    DurationMs,
    GaugeUnit,
    HalfWidth,
    LastingMs,
    LengthRange,
    Material,
    PositiveLength,
    Sense,
    choice,
    words_of,
)


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
    check_every: LastingMs | None = Field(default=None, examples=["2 h"])
    """How often it is checked, beside how long a mastering counts at the most."""
    check_every_pieces: Annotated[int, Field(ge=1)] | None = None
    """After how many pieces it is checked; a reading without a piece counts as one."""
    check_at: Annotated[list[ClockMinute], Field(min_length=1, max_length=24)] | None = Field(
        default=None, examples=[["06:00", "14:00", "22:00"]]
    )
    """Times of day at which it is checked, in the station's time zone."""
    check_warning: LastingMs | None = Field(default=None, examples=["10 min"])
    """How long before it is due a check is told, at most a quarter of the way; 10 min where it is missing."""
    check_warning_pieces: Annotated[int, Field(ge=0)] | None = None
    """How many pieces or readings before it is due a check is told, at most a quarter of the way; 2 where missing."""
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
    contact_sets: Names | None = Field(default=None, examples=[["A", "B"]])
    """Names of the contact sets that can be on it; a change of contacts says which, and masterings name it."""
    confirm_master: Annotated[Confirm, choice(Confirm, "a way to confirm"), words_of(Confirm)] | None = None
    """What must prove which master it is: its serial number, a scan, or a second master (mastering or first check)."""
    compare_masters: bool = True
    """Whether a mastering or check that does not fit is compared with the other masters, to name one that does."""
    stream: StreamTable | None = None
    """For a gauge that sends without an end: which of its indications counts."""
