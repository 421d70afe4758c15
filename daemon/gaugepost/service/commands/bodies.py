"""What is sent with each command: held against a model before anything looks at it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from gaugepost.core.bench.events import ATTEMPTS, REPORTS
from gaugepost.core.bench.procedures import MAX_READINGS


def _printable(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise PydanticCustomError("refused", "it does not print", {"hint": "write printable characters"})
    return text


Text = Annotated[str, Field(max_length=200), AfterValidator(_printable)]
Note = Annotated[str, Field(max_length=500), AfterValidator(_printable)]
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
