"""What is sent with each request about a lesson."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from gaugepost.service.commands.bodies import Said, Text
from gaugepost.service.query import MAX_SEQUENCE, MAX_WAIT_S


class LessonSaid(Said):
    """Which link is taught: the station's own by its name, or another one by its kind and settings."""

    link: Text | None = Field(
        None, description="one of the station's own links, which is lent for the lesson"
    )
    kind: Text | None = Field(None, description="kind of another link, as serial_port")
    settings: dict[str, Any] = Field({}, max_length=64, description="its settings, as in a station file")
    request: str | None = Field(
        None, max_length=64, description="what asks a gauge that does not send by itself, as in a description"
    )
    probe: bool = Field(False, description="find out first how a serial line is set: baud, bits, parity")
    channel: Text | None = Field(None, description="the link's channel that the gauge is asked over")
    name: Text | None = Field(None, description="what the gauge is called in its capture")
    keep_s: int = Field(600, ge=1, le=3600, description="seconds until it ends by itself with nobody asking")


class ShowsSaid(Said):
    """What the display shows for what came last: sign, every digit, unit."""

    shows: str = Field(max_length=100)


class NeverSaid(Said):
    """What the gauge can't show."""

    never: Literal["negative", "unit", "longer"]


class LessonAsked(BaseModel):
    """From where on a lesson is shown, and how long news of it are waited for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    after: int = Field(0, ge=0, le=MAX_SEQUENCE, description="line after which to begin")
    wait: float = Field(
        0.0,
        ge=0,
        le=MAX_WAIT_S,
        allow_inf_nan=False,
        description="seconds to wait where there is no news yet",
    )
