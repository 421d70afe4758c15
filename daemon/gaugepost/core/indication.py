"""What comes over a link: chunks of bytes in, and what a decoder makes of them.

Whatever bytes arrive, a decoder answers with these and nothing else. It never guesses a number.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal

from gaugepost.core.quantity import Unit, step_of

MAX_FRAME_BYTES = 4096
"""No frame is longer; what goes on without an end is a bad frame."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in time as the station knows it.

    `utc_ms` is wall time (ms since 1970-01-01 UTC) and may jump. `clock_ms` counts through sleep from the start of
    `boot` and never jumps; durations are taken from it, and it means nothing in another boot.
    """

    utc_ms: int
    clock_ms: int
    boot: str


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as a link delivered them.

    `complete` says that the chunk's edges are a packet's edges (Bluetooth, HID); a serial port's are not. `fault` says
    why these bytes can't be what the gauge sent (keys were lost, a person typed them): no decoder gets to see them, and
    they are a bad frame for that reason. `condition` is what the link itself was told about the gauge beside its frames
    (a battery level has a place of its own on Bluetooth), `trigger` that somebody pressed what is wired to the link (a
    line of a serial port): no decoder gets to see them either.
    """

    data: bytes
    arrived: Moment
    channel: str = ""
    complete: bool = False
    fault: str = ""
    condition: Condition | None = None
    trigger: Trigger | None = None


@dataclass(frozen=True, slots=True)
class Indication:
    """What a gauge showed (VIM 4.1): its digits as text, their exact value, and the unit they stand for.

    `unit` is None where the frame names none; the station file then says which it is.
    """

    text: str
    value: Decimal
    unit: Unit | None
    raw: bytes
    channel: str = ""

    @property
    def resolution(self) -> Decimal:
        """One step of the last digit shown, in the indication's unit."""
        return step_of(self.value)


@dataclass(frozen=True, slots=True)
class Temperature:
    """What a thermometer showed, in degrees Celsius."""

    celsius: Decimal
    raw: bytes
    channel: str = ""


@dataclass(frozen=True, slots=True)
class Condition:
    """Something a gauge says about itself instead of a value: its own error code, low battery, power-up."""

    code: str
    meaning: str
    raw: bytes
    channel: str = ""
    ends_mastering: bool = False


@dataclass(frozen=True, slots=True)
class Code:
    """What a scanner read."""

    text: str
    raw: bytes
    channel: str = ""


@dataclass(frozen=True, slots=True)
class Trigger:
    """A foot switch or a button that asks for a value or steps the flow."""

    name: str
    raw: bytes
    channel: str = ""


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes that are no indication, and why. Counted and shown, never guessed at."""

    reason: str
    raw: bytes = field(default=b"")
    channel: str = ""


Decoded = Indication | Temperature | Condition | Code | Trigger | BadFrame
"""All that a decoder can answer with."""
