"""What every table of a station file is, and the kinds of values that many of them hold."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from gaugepost.core.setup import Body
from gaugepost.edge.stationfile.values import choice, words_of

Count = Annotated[int, Field(ge=1, le=1000)]
Words = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$")]
Names = Annotated[list[Words], Field(min_length=1)]
AnyBody = Annotated[Body, choice(Body, "a body"), words_of(Body)]


class Table(BaseModel):
    """A table of the file: unknown keys are errors, text is not taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
    what: ClassVar[str] = "a table"
    """What findings call it."""
