"""The resolved set-up: what the station file says, with every default filled in and every length in mm.

It is journaled as a document, so that a reading can be derived again years later from the set-up that was in force.
"""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum
from functools import cache
from typing import Any

from gaugepost.core.conformity.rules import Rule
from gaugepost.core.quantity import Unit
from gaugepost.core.terms.words import (
    Body as Body,
    ClassOfRing as ClassOfRing,
    Combine as Combine,
    Confirm as Confirm,
    Contact as Contact,
    Display as Display,
    Does as Does,
    Feature as Feature,
    LotCheck as LotCheck,
    Opens as Opens,
    Requirement as Requirement,
    Takes as Takes,
)

TAGS = ("operator", "lot", "piece", "position", "characteristic")
"""What a person, or a scanned code, says is in hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamEntry:
    """How one indication is taken out of a stream. Lengths in mm, times in ms."""

    takes: Takes
    opens: Opens
    window_ms: int
    turn_mm: Decimal | None = None
    """How far it must turn back, on both sides; for the smallest and the largest."""
    turns: int = 1
    """How many turning points are waited for; the best of them counts."""
    steady_mm: Decimal | None = None
    """Within what it must stay to be settled."""
    steady_for_ms: int = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeEntry:
    """A gauge. Lengths in mm, coefficient in 1/K, drift in mm/K, times in ms."""

    name: str
    link: str
    channel: str = ""
    contact: Contact
    display: Display
    unit: Unit | None = None
    """None: as sent, the frame names its unit."""
    resolution_mm: Decimal | None = None
    size_range_mm: tuple[Decimal, Decimal] | None = None
    indication_range_mm: tuple[Decimal, Decimal] | None = None
    nominal_mm: Decimal | None = None
    """What the display counts from; for `Display.FROM_NOMINAL` only."""
    sense: int = 1
    """+1, or -1 for an indication that falls as the size grows."""
    coefficient: Decimal | None = None
    drift_mm_per_k: Decimal | None = None
    """Replaces the growth by `coefficient` for a hand-warmed frame."""
    maximum_error_mm: Decimal | None = None
    due_utc_ms: int | None = None
    """End of the day on which calibration is due, in the station's time zone."""
    repeatability_mm: Decimal | None = None
    """Standard deviation of one reading; None: from the journal's masterings and checks."""
    repeatability_degrees: int | None = None
    """Degrees of freedom of `repeatability_mm`; None: without end."""
    coefficient_half_width: Decimal | None = None
    """How far the coefficient may be from what is stated, in 1/K; None: as handbooks' values are."""
    debounce_ms: int = 300
    """The same digits again within this time are one send, doubled."""
    ask_every_ms: int | None = None
    """How often it is asked for its value; None: only when somebody wants it, or never."""
    answer_within_ms: int = 1000
    """How long its answer is waited for."""
    mastering_readings: int = 3
    check_readings: int = 1
    preset_limit_mm: Decimal
    """How far the indication on the master may be from what the display mode predicts."""
    check_limit_mm: Decimal
    """How far a check may be from the master's size."""
    valid_for_ms: int | None = None
    valid_count: int | None = None
    valid_band_k: Decimal | None = None
    check_every_ms: int | None = None
    check_every_pieces: int | None = None
    check_at_min: tuple[int, ...] | None = None
    """Times of day at which a check is due, in minutes since midnight in the station's time zone."""
    warning_ms: int | None = None
    """How long before a check is due that is told; None: 10 min."""
    warning_pieces: int | None = None
    """How many pieces or readings before a check is due that is told; None: 2."""
    stream: StreamEntry | None = None
    """For a gauge that sends without an end."""
    soak_k: Decimal | None = None
    """How far ring and gauge may move in temperature within `soak_window_ms` before a mastering; None: not held."""
    soak_window_ms: int | None = None
    drifting_refused: bool | None = None
    """Whether a mastering is refused while they still drift; else it is flagged."""
    spread_limit_mm: Decimal | None = None
    """How far the readings of one master may spread."""
    jump_limit_mm: Decimal | None = None
    """How far a mastering may be from the last one without a flag."""
    reach_mm: Decimal | None = None
    """How far the master may be from the nominal size of what is measured without a flag."""
    contact_sets: tuple[str, ...] | None = None
    """Sets of contacts that can be on it; None: they have no names."""
    confirm: Confirm | None = None
    compare_masters: bool | None = None
    """Whether outcomes that do not fit are held against the station's other masters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterEntry:
    """A setting ring, plug or block with its certificate."""

    name: str
    size_mm: Decimal
    uncertainty_mm: Decimal | None = None
    coverage_factor: Decimal | None = None
    coefficient: Decimal | None = None
    coefficient_half_width: Decimal | None = None
    """As a gauge's."""
    certificate_degrees: int | None = None
    """Degrees of freedom of the certificate's uncertainty; None: without end."""
    drift_mm_per_year: Decimal | None = None
    """How far its size may drift in a year, either way."""
    calibrated_utc_ms: int | None = None
    """Beginning of the day it was calibrated on."""
    certificate: str | None = None
    """Number of its certificate: masters that share one share what is uncertain about it."""
    serial: str | None = None
    due_utc_ms: int | None = None
    tolerance_class: str | None = None
    """Gagemakers' class (ASME B89.1.5) of a master without calibrated value; its size is then nominal."""
    half_tolerance_mm: Decimal | None = None
    """Half-width of the rectangular distribution that the class stands for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermometerEntry:
    """A thermometer and the body whose temperature it shows."""

    name: str
    link: str
    channel: str = ""
    body: Body
    gauge: str | None = None
    """For `Body.GAUGE`: which gauge; None stands for every gauge."""
    max_age_ms: int = 600_000
    stands_in_for: tuple[Body, ...] = ()
    """Bodies without a temperature of their own that take this one, marked assumed."""
    spread_k: Decimal | None = None
    """How far such a body may be from this temperature, either way."""
    uncertainty_k: Decimal | None = None
    """Expanded uncertainty, with k = 2, of what it shows for its body."""
    ask_every_ms: int | None = None
    """How often it is asked for its value; None: only when somebody wants it, or never."""
    answer_within_ms: int = 1000
    """How long its answer is waited for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScannerEntry:
    """A scanner, and the patterns of the codes it reads; the first that a code fits counts."""

    name: str
    link: str
    channel: str = ""
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TriggerEntry:
    """A foot switch or a line, what it does, and with which gauge. Time in ms."""

    name: str
    link: str
    channel: str = ""
    does: Does
    gauge: str | None = None
    debounce_ms: int = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredTemperature:
    """A temperature that somebody vouches for instead of measuring it."""

    body: Body
    celsius: Decimal
    spread_k: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceEntry:
    """Where a position is: angle around the axis in degrees, depth along it in mm."""

    angle_deg: Decimal | None = None
    depth_mm: Decimal | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CharacteristicEntry:
    """One thing to measure on the drawing. Limits in mm, `step` in the drawing's unit."""

    name: str
    feature: Feature
    unit: Unit
    lower_mm: Decimal | None = None
    upper_mm: Decimal | None = None
    nominal_mm: Decimal | None = None
    step: Decimal
    """Step that values are displayed to, in the drawing's unit."""
    coefficient: Decimal | None = None
    coefficient_half_width: Decimal | None = None
    """As a gauge's."""
    gauges: tuple[str, ...]
    masters: tuple[str, ...] = ()
    """Masters that serve it; empty: any."""
    readings: int = 1
    combine: Combine = Combine.EACH
    positions: tuple[str, ...] = ()
    size_modifier: str | None = None
    """ISO 14405-1 modifier from the drawing that allows combining over places: SA, SX, SN, SM, SD or SR."""
    rule: Rule | None = None
    """Decision rule; None in set-ups from before there were others: simple acceptance."""
    rounding: Decimal | None = None
    """Step that the value is rounded to for the verdict, in the drawing's unit (ASTM E29, rounding); None: not."""
    places: Mapping[str, PlaceEntry] | None = None
    """Where the positions are, of those that say so."""
    lobes: int | None = None
    """Number of lobes whose form matters."""
    not_judged: tuple[Requirement, ...] | None = None
    """What the drawing asks for beside, and nobody judges here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEntry:
    """A link and the decoder on it; settings as JSON text, so that raw bytes can be decoded again later."""

    name: str
    kind: str
    settings: str
    decoder: str
    decoder_settings: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """Everything that decides what a frame becomes."""

    station: str
    zone: str
    lot_checks: bool = True
    """Lots open and close with a check."""
    lot_checks_asked: tuple[LotCheck, ...] | None = None
    """Ends at which each lot has a check of its own; None: one check between lots is enough."""
    level: Decimal | None = None
    """Level of confidence of expanded uncertainties; None: 0.9545."""
    links: Mapping[str, LinkEntry] = field(default_factory=dict)
    gauges: Mapping[str, GaugeEntry] = field(default_factory=dict)
    masters: Mapping[str, MasterEntry] = field(default_factory=dict)
    thermometers: Mapping[str, ThermometerEntry] = field(default_factory=dict)
    declared: tuple[DeclaredTemperature, ...] = ()
    characteristics: Mapping[str, CharacteristicEntry] = field(default_factory=dict)
    scanners: Mapping[str, ScannerEntry] = field(default_factory=dict)
    triggers: Mapping[str, TriggerEntry] = field(default_factory=dict)


def to_document(set_up: SetUp) -> str:
    """Return the set-up as JSON with sorted keys: the same set-up always gives the same text."""
    return json.dumps(to_plain(set_up), ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def from_document(document: str) -> SetUp:
    """Return the set-up that `to_document` wrote; keys added since take their defaults."""
    made: SetUp = from_plain(SetUp, json.loads(document))
    return made


def to_plain(value: Any) -> Any:
    """Return a frozen value of the core, whatever it is made of, as what JSON can hold.

    Dataclasses become objects without the fields that are None anyway, mappings objects too where their keys are text
    and sorted lists of pairs elsewhere, tuples lists, sets sorted lists, numbers text to the last digit, bytes hex.
    """
    if dataclasses.is_dataclass(value):
        named = ((f, getattr(value, f.name)) for f in dataclasses.fields(value))
        return {f.name: to_plain(inner) for f, inner in named if inner is not None or f.default is not None}
    if isinstance(value, Mapping):
        if all(isinstance(key, str) for key in value):
            return {key: to_plain(inner) for key, inner in value.items()}
        return sorted(([to_plain(key), to_plain(inner)] for key, inner in value.items()), key=repr)
    if isinstance(value, tuple):
        return [to_plain(inner) for inner in value]
    if isinstance(value, frozenset):
        return sorted((to_plain(inner) for inner in value), key=repr)
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, bytes):
        return value.hex()
    return value.value if isinstance(value, Enum) else value


def from_plain(wanted: Any, plain: Any) -> Any:
    """Return the value of the type `wanted` that `to_plain` made `plain` of; fields added since take their defaults.

    Raises:
        ValueError, TypeError, KeyError, ArithmeticError, AttributeError: `plain` was not made of such a value.
    """
    if isinstance(wanted, types.UnionType):
        if plain is None:
            return None
        (wanted,) = (arm for arm in typing.get_args(wanted) if arm is not type(None))
    origin, arms = typing.get_origin(wanted), typing.get_args(wanted)
    if origin is tuple:
        kinds = [arms[0]] * len(plain) if Ellipsis in arms else arms
        return tuple(from_plain(kind, inner) for kind, inner in zip(kinds, plain, strict=True))
    if origin is frozenset:
        return frozenset(from_plain(arms[0], inner) for inner in plain)
    if origin is Mapping:
        pairs = plain.items() if isinstance(plain, dict) else plain
        return {from_plain(arms[0], key): from_plain(arms[1], inner) for key, inner in pairs}
    if isinstance(wanted, type) and dataclasses.is_dataclass(wanted):
        hints = _hints(wanted)
        return wanted(**{key: from_plain(hints[key], inner) for key, inner in plain.items()})
    return bytes.fromhex(plain) if wanted is bytes else wanted(plain)


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return typing.get_type_hints(kind)
