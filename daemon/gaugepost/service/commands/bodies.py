"""What is sent with each command: held against a model before anything looks at it."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, JsonValue
from pydantic_core import PydanticCustomError

from gaugepost.core.bench.events import ATTEMPTS, REPORTS
from gaugepost.core.bench.procedures import MAX_READINGS

_UNSEEN = "".join(
    f"{chr(first)}-{chr(last)}"
    for first, last in (
        (0x00, 0x1F), (0x7F, 0xA0), (0xAD, 0xAD), (0x600, 0x605), (0x61C, 0x61C), (0x6DD, 0x6DD), (0x70F, 0x70F),
        (0x890, 0x891), (0x8E2, 0x8E2), (0x1680, 0x1680), (0x180E, 0x180E), (0x2000, 0x200F), (0x2028, 0x202F),
        (0x205F, 0x206F), (0x3000, 0x3000), (0xFEFF, 0xFEFF), (0xFFF0, 0xFFFB),
        (0xFFFE, 0xFFFF), (0xE0000, 0xE007F), (0xE0100, 0xE01EF),
    )
)  # fmt: skip
"""Controls, spaces but the plain one, and what turns or hides text: the inside of a set."""
SEEN = f"^ *[^ {_UNSEEN}][^{_UNSEEN}]*$"
"""Text that a person sees and can tell from other text; no lookahead, which not every reader of a schema knows."""


def _printable(text: str) -> str:
    if not re.fullmatch(SEEN[1:-1], text):
        raise PydanticCustomError("refused", "it does not print", {"hint": "write printable characters"})
    return text


_SEEN: dict[str, JsonValue] = {"pattern": SEEN, "minLength": 1}
"""Told to programs; what a person is told comes from `_printable`."""

Text = Annotated[str, Field(max_length=200, json_schema_extra=_SEEN), AfterValidator(_printable)]
Note = Annotated[str, Field(max_length=500, json_schema_extra=_SEEN), AfterValidator(_printable)]
Readings = Annotated[int, Field(ge=1, le=MAX_READINGS)]


class Said(BaseModel):
    """A command's body: unknown keys are errors, and text is not taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class MasteringSaid(Said):
    """Masters in the order in which they will be read, with the serial numbers read off them."""

    masters: list[Text] = Field(min_length=1, max_length=2)
    serials: list[Text] = Field([], max_length=2)
    readings: Readings | None = None
    movement: Literal["larger", "smaller"] | None = None
    operator: Text | None = None


class CheckSaid(Said):
    """The master that will be measured, with the serial number read off it."""

    master: Text
    serial: Text | None = None
    readings: Readings | None = None
    operator: Text | None = None


class AbandonSaid(Said):
    """Why it is given up."""

    reason: Note | None = None
    operator: Text | None = None


class ReportSaid(Said):
    """What was done to the gauge."""

    what: Text = Field(description=", ".join(REPORTS))
    contact_set: Text | None = Field(None, description="which set is on now, for contacts")
    note: Note | None = None
    operator: Text | None = None


class FinishSaid(Said):
    """Who ends it."""

    operator: Text | None = None


class AttemptSaid(Said):
    """Why the piece in hand is measured again."""

    why: Text = Field(description=", ".join(ATTEMPTS))
    note: Note | None = None
    operator: Text | None = None


class TagsSaid(Said):
    """What is in hand: what is left out stays, null clears."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1})

    operator: str | None = None
    lot: str | None = None
    piece: str | None = None
    position: str | None = None
    characteristic: str | None = None


class RequestSaid(Said):
    """Nothing more."""


class VoidSaid(Said):
    """Why a measurement does not count, and who says so where that is not the operator in hand."""

    reason: Note
    operator: Text | None = None


class AmendSaid(VoidSaid):
    """What a reading belongs to instead: what is left out stays, null clears."""

    lot: str | None = None
    piece: str | None = None
    position: str | None = None


class SignSaid(Said):
    """What is signed: a record, a lot, a piece of it, or the records from first to last. As what, and by whom.

    Who signs says both again, although they are signed in: their id, and their PIN or scanned code.
    """

    record: Text | None = None
    lot: Text | None = None
    piece: Text | None = None
    first: Text | None = None
    last: Text | None = None
    meaning: Literal["review", "approval", "responsibility", "authorship"]
    reason: Note | None = None
    id: Annotated[str, Field(max_length=200)]
    pin: Annotated[str, Field(max_length=200)] | None = None
    code: Annotated[str, Field(max_length=200)] | None = None
    operator: Text | None = None


class SuspectSaid(Said):
    """Why what a gauge measured is doubted, and who says so."""

    reason: Note
    operator: Text | None = None


class RecallSaid(SuspectSaid):
    """What is traced and what is corrected, as for a trace."""

    size: Text | None = None
    uncertainty: Text | None = None
    coverage_factor: Text | None = None
    correction: Text | None = None
    master: Text | None = None
    thermometer: Text | None = None
    since: Text | None = None
    until: Text | None = None
