"""The record: one flat vocabulary for the journal, CSV columns, JSON keys and every other publication.

A record's fields have fixed numbers, which are its keys on disk. A number is never used twice, a field never changes
its meaning, and a new field gets the next free number: journals written today are read for decades.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from gaugepost.core.frozen import Word, sparse

FORMAT = 1
"""Number of the body's format, the first thing in every body."""

DERIVATION = 5
"""Number of the rules that make numbers out of raw bytes and set-up. An old one stays in core for good.

1: no uncertainty. 2: each value with its uncertainty, and decided by it where the rule asks for one. 3: a result of
several readings with a budget of its own, checks with one too, and the form that a feature's places show. 4: a range of
sizes and a form with their uncertainty, and a range decided by it; a jump on either of two masters. 5: errors of two
masters as far out as what is judged lies, and in differences too, with what is read by the scale that they have it; no
scale from less than five steps; another master is named within the preset limit too; the piece that waited for a check
is the first one after it; a mastering ended early is the mean of what was read; what is in doubt enters no result.
"""
DERIVATIONS = (1, 2, 3, 4, 5)
"""Those that numbers can be made by."""

Value = str | int | bool | bytes | Decimal | tuple[str, ...] | tuple[int, ...] | tuple[Decimal, ...]


class Kind(Word):
    """What happened. Only ever appended to: a kind's place, counted from 1, is its number on disk."""

    START = "start"
    STOP = "stop"
    SET_UP = "set-up"
    LINK = "link"
    TAGS = "tags"
    TEMPERATURE = "temperature"
    CONDITION = "condition"
    BAD_FRAME = "bad-frame"
    SUPPRESSED = "suppressed"
    MASTERING_BEGUN = "mastering-begun"
    MASTER_READING = "master-reading"
    MASTERING = "mastering"
    CHECK_BEGUN = "check-begun"
    CHECK = "check"
    ABANDONED = "abandoned"
    REPORT = "report"
    READING = "reading"
    RESULT = "result"
    SUSPECT = "suspect"
    VOID = "void"
    AMENDMENT = "amendment"
    GAP = "gap"
    ATTEMPT = "attempt"
    SCAN = "scan"
    TRIGGER = "trigger"
    STREAM = "stream"
    SALVAGE = "salvage"
    FORM = "form"
    REJUDGED = "rejudged"
    ARCHIVE = "archive"
    LIFTED = "lifted"
    CHECKPOINT = "checkpoint"
    SIGNATURE = "signature"
    ACCESS = "access"


PUBLISHED_KINDS: tuple[Kind, ...] = (
    Kind.READING,
    Kind.RESULT,
    Kind.FORM,
    Kind.CHECK,
    Kind.MASTERING,
    Kind.SUSPECT,
    Kind.LIFTED,
    Kind.VOID,
    Kind.AMENDMENT,
    Kind.REJUDGED,
    Kind.SIGNATURE,
    Kind.GAP,
    Kind.SALVAGE,
)
"""What a destination gets where the station file names no kinds: what was measured, and what became of it."""


UNITS = ("mm", "in", "µm", "µin")
VERDICTS = ("undersize", "in-limits", "oversize", "not-judged")
DECISIONS = ("accept", "reject", "undecided")
RULES = (
    "simple acceptance",
    "guarded acceptance by factor",
    "guarded acceptance by conformance probability",
    "guarded acceptance by expanded uncertainty",
    "guarded rejection by factor",
    "guarded rejection by conformance probability",
    "guarded rejection by expanded uncertainty",
)
CONFORMITIES = ("conformity verified", "nonconformity verified", "neither")
REMEDIES = ("can still be opened", "can still be taken down", "cannot be brought back")
METHODS = ("absolute method", "rounding method")
SOURCES = ("measured", "declared", "assumed")
MEANINGS = ("review", "approval", "responsibility", "authorship")
BODIES = ("part", "master", "gauge", "air")
"""Closed vocabularies. Only ever appended to: a word's place, counted from 1, is its number on disk."""


def _word(
    number: int, meaning: str, unit: str = "", words: tuple[str, ...] = ()
) -> Any:  # a field's default, and what the vocabulary page says
    return dataclasses.field(
        default=None, metadata={"number": number, "meaning": meaning, "unit": unit, "words": words}
    )


@sparse
@dataclass(frozen=True, kw_only=True)
class Record:
    """One thing that happened, with everything that made it. Fields that do not apply are None.

    The sequence, id, hash and station come from where a record stands in the journal: see `Entry`.
    """

    kind: Kind = dataclasses.field(
        metadata={"number": 1, "meaning": "what happened", "unit": "", "words": tuple(Kind)}
    )
    measured_at: int = dataclasses.field(
        metadata={
            "number": 2,
            "meaning": "wall time of arrival, UTC, to the millisecond",
            "unit": "RFC 3339",
            "words": (),
        }
    )
    clock_ms: int = dataclasses.field(
        metadata={
            "number": 3,
            "meaning": "time since the computer's start, counting through sleep",
            "unit": "ms",
            "words": (),
        }
    )
    gauge: str | None = _word(4, "the gauge's name in the station file")
    link: str | None = _word(5, "the link the frame came over")
    characteristic: str | None = _word(6, "what was measured on the drawing")
    position: str | None = _word(7, "where on the feature")
    lot: str | None = _word(8, "the lot the piece belongs to")
    piece: str | None = _word(9, "the workpiece, named within its lot")
    attempt: int | None = _word(10, "1 for the first measurement of this place, then counted")
    operator: str | None = _word(11, "who measured or commanded: an opaque id")
    indication: str | None = _word(12, "the digits as the gauge showed them")
    indication_unit: str | None = _word(13, "the unit of those digits", words=UNITS)
    value_mm: Decimal | None = _word(14, "the corrected length at 20 °C", "mm")
    value: Decimal | None = _word(15, "the same length in the drawing's unit", "unit")
    unit: str | None = _word(16, "the drawing's unit", words=UNITS)
    deviation: Decimal | None = _word(17, "value minus nominal, or minus the middle of the limits", "unit")
    lower: Decimal | None = _word(18, "lower limit of size", "unit")
    upper: Decimal | None = _word(19, "upper limit of size", "unit")
    verdict: str | None = _word(20, "undersize, in-limits, oversize, or not-judged", words=VERDICTS)
    decision: str | None = _word(21, "accept, reject or undecided, by the named rule", words=DECISIONS)
    rule: str | None = _word(22, "the decision rule", words=RULES)
    conformity: str | None = _word(
        23, "conformity verified, nonconformity verified, or neither (ISO 14253-1)", words=CONFORMITIES
    )
    probability: Decimal | None = _word(24, "probability that the true value is inside the limits")
    uncertainty_mm: Decimal | None = _word(25, "expanded uncertainty of value_mm", "mm")
    coverage_factor: Decimal | None = _word(
        26, "coverage factor of uncertainty_mm, and of a form's uncertainties"
    )
    reasons: tuple[str, ...] | None = _word(
        27, "why there is no verdict, why it is undecided or refused, what to know"
    )
    master: str | None = _word(28, "the master in force (two joined by +)")
    mastering: int | None = _word(29, "sequence of the mastering in force")
    master_correction_mm: Decimal | None = _word(30, "added to the indication for the master's offset", "mm")
    thermal_correction_mm: Decimal | None = _word(31, "added for temperatures other than 20 °C", "mm")
    part_temperature_c: Decimal | None = _word(32, "temperature of the part", "°C")
    gauge_temperature_c: Decimal | None = _word(33, "temperature of the gauge", "°C")
    master_temperature_c: Decimal | None = _word(34, "temperature of the master when it was read", "°C")
    part_temperature_source: str | None = _word(35, "measured, declared or assumed", words=SOURCES)
    gauge_temperature_source: str | None = _word(36, "measured, declared or assumed", words=SOURCES)
    master_temperature_source: str | None = _word(37, "measured, declared or assumed", words=SOURCES)
    members: tuple[int, ...] | None = _word(38, "sequences of the records combined or named here")
    replaces: int | None = _word(
        39, "sequence of the record that this one voids, amends, judges again or lifts"
    )
    set_up: int | None = _word(40, "sequence of the set-up in force")
    derivation: int | None = _word(41, "number of the rules that made the numbers")
    raw: bytes | None = _word(42, "the frame, byte for byte", "hex")
    text: str | None = _word(43, "a note in words: a reason, a meaning, a finding")
    code: str | None = _word(44, "a gauge's own code, a report's name, or a state")
    count: int | None = _word(45, "how many")
    document: str | None = _word(46, "the resolved set-up, as JSON")
    boot: str | None = _word(47, "id of the computer's start that clock_ms counts from")
    spread_mm: Decimal | None = _word(48, "largest minus smallest of the members", "mm")
    error_mm: Decimal | None = _word(49, "corrected value minus the master's size", "mm")
    limit_mm: Decimal | None = _word(50, "limit that error_mm was held against", "mm")
    thermometer: str | None = _word(51, "the thermometer's name in the station file")
    temperature_c: Decimal | None = _word(52, "what the thermometer showed", "°C")
    body: str | None = _word(53, "part, master, gauge or air", words=BODIES)
    master_indications_mm: tuple[Decimal, ...] | None = _word(54, "mean indication on each master", "mm")
    master_spans_mm: tuple[Decimal, ...] | None = _word(
        55, "each master's size over the gauge's growth, at 20 °C", "mm"
    )
    ends_mastering: bool | None = _word(56, "whether it makes the gauge's mastering check-due")
    program: str | None = _word(57, "version of gaugepost that wrote the record")
    first: int | None = _word(58, "first sequence of a range")
    last: int | None = _word(59, "last sequence of a range")
    device: str | None = _word(60, "the scanner's or trigger's name in the station file")
    epoch: str | None = _word(61, "epoch of this record and of those after it")
    epoch_before: str | None = _word(62, "epoch of the records before this one")
    missing: tuple[str, ...] | None = _word(63, "ranges of sequences that could not be salvaged, and why")
    seal: bytes | None = _word(64, "SHA-256 over sequence, hash and body of every record before this one")
    rule_parameter: Decimal | None = _word(
        65, "the rule's number: factor on the standard uncertainty, probability, or multiple of U"
    )
    lower_acceptance: Decimal | None = _word(66, "lower acceptance limit of a guarded rule", "unit")
    upper_acceptance: Decimal | None = _word(67, "upper acceptance limit of a guarded rule", "unit")
    remedy: str | None = _word(68, "what can still be done with a piece that is not accepted", words=REMEDIES)
    method: str | None = _word(
        69, "whether the verdict is of the value as it is or as rounded (ASTM E29)", words=METHODS
    )
    standard_uncertainty_mm: Decimal | None = _word(70, "combined standard uncertainty of value_mm", "mm")
    degrees_of_freedom: int | None = _word(
        71, "effective degrees of freedom of the uncertainty, truncated; empty: without end"
    )
    uncertainty_reasons: tuple[str, ...] | None = _word(
        72, "why no uncertainty is stated, and what to declare"
    )
    ovality_mm: Decimal | None = _word(
        73, "largest minus smallest diameter over the angles of one depth, of all depths the largest", "mm"
    )
    taper_mm: Decimal | None = _word(
        74, "diameter at the greatest depth minus that at the least: negative where it narrows inwards", "mm"
    )
    barrel_mm: Decimal | None = _word(
        75,
        "largest departure of a diameter between the ends from the line between them: negative: waist",
        "mm",
    )
    bell_mouth_mm: Decimal | None = _word(
        76, "how far the mouth is wider than the line through the next two depths says", "mm"
    )
    requirements_not_judged: tuple[str, ...] | None = _word(
        77, "what the drawing asks for beside, and nothing here judges"
    )
    contact_set: str | None = _word(78, "the set of contacts that was on the gauge")
    to_scan: tuple[str, ...] | None = _word(79, "masters that are to be scanned before they are read")
    corrected: tuple[str, ...] | None = _word(
        80,
        "what is known today to have been otherwise, as the station file's key and what it should have said",
    )
    archive: str | None = _word(81, "name of the file that records were moved to")
    archive_head: bytes | None = _word(82, "hash of the last record in that file")
    archive_sha256: bytes | None = _word(83, "SHA-256 of that file")
    state_sha256: bytes | None = _word(
        84, "SHA-256 of what the journal keeps of them: the bench as they left it"
    )

    ovality_uncertainty_mm: Decimal | None = _word(85, "expanded uncertainty of ovality_mm", "mm")
    taper_uncertainty_mm: Decimal | None = _word(86, "expanded uncertainty of taper_mm", "mm")
    barrel_uncertainty_mm: Decimal | None = _word(87, "expanded uncertainty of barrel_mm", "mm")
    bell_mouth_uncertainty_mm: Decimal | None = _word(88, "expanded uncertainty of bell_mouth_mm", "mm")
    last_hash: bytes | None = _word(89, "hash of the record `last`, as a checkpoint signs it")
    signature: bytes | None = _word(90, "Ed25519 signature (RFC 8032) over a checkpoint's text")
    public_key: bytes | None = _word(91, "public key that the signature is held against")
    next_public_key: bytes | None = _word(92, "public key of the checkpoints to come")
    printed_name: str | None = _word(93, "name of the person who signed, as printed")
    meaning: str | None = _word(94, "what a person's signature means", words=MEANINGS)
    signed_sha256: bytes | None = _word(95, "SHA-256 over sequence and hash of every record that is signed")
    person: str | None = _word(96, "who may come in otherwise than before: a person's id, or a token's name")

    def __repr__(self) -> str:
        """Show the fields that apply: fifty times None helps nobody."""
        said = ((f.name, getattr(self, f.name)) for f in FIELDS)
        return f"Record({', '.join(f'{name}={value!r}' for name, value in said if value is not None)})"


FIELDS: tuple[dataclasses.Field[Any], ...] = dataclasses.fields(Record)
NUMBER_OF: dict[str, int] = {f.name: f.metadata["number"] for f in FIELDS}
NAME_OF: dict[int, str] = {number: name for name, number in NUMBER_OF.items()}

COLUMNS: tuple[str, ...] = (
    "kind",
    "id",
    "sequence",
    "station",
    *(f.name for f in FIELDS if f.name != "kind"),
    "hash",
)
"""Every name a published record can have, in the order of CSV columns."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A record in its place in the journal."""

    sequence: int
    hash: bytes
    record: Record
