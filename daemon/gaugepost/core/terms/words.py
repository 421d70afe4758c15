"""What gauges, masters, drawings and triggers can be, each by its word in the station file."""

from __future__ import annotations

from enum import StrEnum


class Contact(StrEnum):
    """How a gauge touches the surface."""

    TWO_POINT = "two-point"
    THREE_POINT = "three-point"
    SINGLE = "single"


class Display(StrEnum):
    """What a gauge's digits stand for."""

    ABSOLUTE = "absolute"
    FROM_MASTER = "from-master"
    FROM_NOMINAL = "from-nominal"


class Body(StrEnum):
    """What a temperature belongs to."""

    PART = "part"
    MASTER = "master"
    GAUGE = "gauge"
    AIR = "air"


class Feature(StrEnum):
    """The kind of feature of size (ISO 14405-1)."""

    BORE = "bore"
    SHAFT = "shaft"


class Combine(StrEnum):
    """How a characteristic's readings become the result that is judged."""

    EACH = "each"
    MEAN = "mean"
    LARGEST = "largest"
    SMALLEST = "smallest"
    MEDIAN = "median"
    MID_RANGE = "mid-range"
    RANGE = "range"


class Confirm(StrEnum):
    """What proves that a master is the one that was named."""

    SERIAL_NUMBER = "serial-number"
    SCAN = "scan"
    SECOND_MASTER = "second-master"


class LotCheck(StrEnum):
    """Which end of a lot a check is asked for at."""

    OPENING = "opening"
    CLOSING = "closing"


class ClassOfRing(StrEnum):
    """Gagemakers' tolerance class of a setting ring or plug (ASME B89.1.5)."""

    XX = "XX"
    X = "X"
    Y = "Y"
    Z = "Z"


class Requirement(StrEnum):
    """What a drawing may ask for beside two-point sizes, and nothing here judges."""

    ENVELOPE = "envelope"
    MAXIMUM_MATERIAL = "maximum material"


class Takes(StrEnum):
    """Which of a stream's indications counts."""

    SMALLEST = "smallest"
    LARGEST = "largest"
    SETTLED = "settled"


class Opens(StrEnum):
    """When a streaming gauge's window opens."""

    ASKED = "asked"
    ITSELF = "by-itself"


class Does(StrEnum):
    """What a trigger does."""

    ASK = "ask"
    NEXT_PIECE = "next-piece"
    NEXT_CHARACTERISTIC = "next-characteristic"
    FINISH = "finish"
