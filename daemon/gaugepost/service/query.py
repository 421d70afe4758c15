"""Query strings: only keys that are known, each once, and times that name their zone."""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import Request
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema
from pydantic_core import PydanticCustomError

from gaugepost.core.drift import By, What
from gaugepost.core.errors import ValueRefused
from gaugepost.core.record import COLUMNS, Kind, Record
from gaugepost.service.problems import nearest

MAX_LIMIT = 1000
MAX_OF_SOME = 10_000
"""Most records in one answer that has some of their fields only."""
MAX_WAIT_S = 30.0
MAX_SEQUENCE = 2**53 - 1
"""What a JavaScript number holds exactly; no journal gets there."""

_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:Z|[+-]\d\d:\d\d)", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def utc_ms(text: str) -> int:
    """Return milliseconds since 1970-01-01 UTC from RFC 3339 text.

    Raises:
        ValueRefused: another form, no zone, or no such day.
    """
    try:
        if _TIME.fullmatch(text):
            return (datetime.fromisoformat(text) - _EPOCH) // timedelta(milliseconds=1)
    except (ValueError, OverflowError):
        pass
    hint = "write it as 2026-11-25T09:00:00Z; the + of a zone is written %2B in an address"
    raise ValueRefused(f"{text[:40]!r} is not a time with its zone", hint=hint)


def _time(text: str) -> str:
    try:
        utc_ms(text)
    except ValueRefused as refusal:
        raise PydanticCustomError(
            "refused", "{finding}", {"finding": refusal.finding, "hint": refusal.hint}
        ) from refusal
    return text


Time = Annotated[str, AfterValidator(_time), WithJsonSchema({"type": "string", "format": "date-time"})]
Name = Annotated[str, Field(max_length=200)]


def _column(text: str) -> str:
    if text not in COLUMNS:
        meant = nearest(text, COLUMNS)
        hint = f"did you mean {meant}?" if meant else "deploy/vocabulary.md lists what a record can have"
        raise PydanticCustomError("refused", "no record has a field of that name", {"hint": hint})
    return text


Column = Annotated[str, AfterValidator(_column), WithJsonSchema({"type": "string", "enum": list(COLUMNS)})]


class Filter(BaseModel):
    """Which records are asked for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    after: int = Field(0, ge=0, le=MAX_SEQUENCE, description="sequence after which to begin")
    kind: list[Kind] = Field([], description="only these kinds; give the key once for each")
    gauge: Name | None = Field(None, description="only this gauge")
    characteristic: Name | None = Field(None, description="only this characteristic")
    lot: Name | None = Field(None, description="only this lot")
    piece: Name | None = Field(None, description="only this piece")
    since: Time | None = Field(None, description="only what was measured at this time or later")
    until: Time | None = Field(None, description="only what was measured before this time")

    def matches(self, record: Record) -> bool:
        """Whether a record is one of those."""
        return (
            (not self.kind or record.kind in self.kind)
            and self.gauge in (None, record.gauge)
            and self.characteristic in (None, record.characteristic)
            and self.lot in (None, record.lot)
            and self.piece in (None, record.piece)
            and (self.since is None or record.measured_at >= utc_ms(self.since))
            and (self.until is None or record.measured_at < utc_ms(self.until))
        )


class Wanted(Filter):
    """Which records are asked for in one answer."""

    limit: int = Field(
        100, ge=1, le=MAX_OF_SOME, description=f"most records in one answer; whole ones at most {MAX_LIMIT}"
    )
    last: int | None = Field(
        None, ge=1, le=MAX_OF_SOME, description="instead of `after` and `limit`: only the last ones, so many"
    )
    field: list[Column] = Field(
        [], description="only these fields, and id and sequence; give the key once for each"
    )
    wait: float = Field(
        0.0, ge=0, le=MAX_WAIT_S, allow_inf_nan=False, description="seconds to wait where nothing matches yet"
    )

    def check(self) -> None:
        """Hold against each other what goes together.

        Raises:
            ValueRefused: `last` with what it stands for, or more than there is room for in an answer.
        """
        if self.last is not None and self.model_fields_set & {"after", "limit", "wait"}:
            hint = "leave after, limit and wait away; `next` of the answer is the `after` to go on with"
            raise ValueRefused("`last` is asked for from the journal's end, at once", hint=hint)
        key, many = ("limit", self.limit) if self.last is None else ("last", self.last)
        if not self.field and many > MAX_LIMIT:
            hint = f"name the fields that are needed with `field`, for {MAX_OF_SOME} at once"
            raise ValueRefused(
                f"{key} {many} is more than the {MAX_LIMIT} whole records of an answer", hint=hint
            )


class TraceAsked(BaseModel):
    """What a trace is asked with: what turned out otherwise, lengths and kelvin with their unit, and a period."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    size: Name | None = Field(None, description="the master's size as calibrated now")
    uncertainty: Name | None = Field(None, description="expanded uncertainty of its certificate")
    coverage_factor: Name | None = Field(None, description="and its coverage factor")
    correction: Name | None = Field(None, description="what is to be added to what the thermometer showed")
    master: Name | None = Field(None, description="whose certificate, where another thing is traced")
    thermometer: Name | None = Field(None, description="which thermometer, where another thing is traced")
    since: Time | None = Field(None, description="only what was measured at this time or later")
    until: Time | None = Field(None, description="only what was measured before this time")
    limit: int = Field(MAX_LIMIT, ge=0, le=10 * MAX_LIMIT, description="most rows, the most urgent first")


class DriftAsked(BaseModel):
    """Which masterings and checks are asked for, and what each series of them is of."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    what: What | None = Field(None, description="offset at masterings or deviation at checks; both")
    gauge: Name | None = Field(None, description="only this gauge")
    contact_set: Name | None = Field(None, description="only with this contact set on")
    master: Name | None = Field(None, description="only on this master, two joined by +")
    operator: Name | None = Field(None, description="only what this person did")
    since: Time | None = Field(None, description="only at this time or later")
    until: Time | None = Field(None, description="only before this time")
    by: list[By] = Field(["gauge", "contact_set", "master"], min_length=1, description="once for each")
    points: int = Field(200, ge=0, le=10_000, description="most values of a series, the last ones")


class SignaturesAsked(BaseModel):
    """Which signatures are asked for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    record: Name | None = Field(None, description="only those that sign this record, by id or sequence")
    lot: Name | None = Field(None, description="only of this lot, its pieces and records")
    piece: Name | None = Field(None, description="only of this piece")
    limit: int = Field(50, ge=1, le=MAX_LIMIT, description="most of them, the latest first")


class RiskAsked(BaseModel):
    """What a decision rule's risks are asked with: lengths with their unit, as a station file writes them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    standard_uncertainty: Name = Field(description="combined standard uncertainty of a value")
    process_mean: Name = Field(description="mean size that the process makes")
    process_spread: Name = Field(description="standard deviation of the sizes that it makes")
    degrees_of_freedom: Name | None = Field(None, description="effective degrees of freedom; without end")
    coverage_factor: Name | None = Field(None, description="k of the expanded uncertainty; 2")
    rule: Name | None = Field(None, description="decision rule; the characteristic's own")
    value: Name | None = Field(None, description="value that one piece showed, for its specific risk")


def only(*known: str, many: tuple[str, ...] = ()) -> Callable[[Request], Awaitable[None]]:
    """Return a dependency that refuses query keys besides `known`, and those given twice unless in `many`."""

    async def check(request: Request) -> None:
        seen: set[str] = set()
        for key, _ in request.query_params.multi_items():
            if key not in known:
                meant = nearest(key, known)
                listed = f"the keys here: {', '.join(known)}" if known else "leave it out"
                raise ValueRefused(
                    f"{key[:80]!r} can't be asked for", hint=f"did you mean {meant}?" if meant else listed
                )
            if key in seen and key not in many:
                raise ValueRefused(f"{key!r} is given twice", hint="give it once")
            seen.add(key)

    return check
