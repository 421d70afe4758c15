"""What all decoders' settings have in common: what is measured, in which unit, and what a gauge says beside it."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from gaugepost.contract import AdapterSettings, Key, ValueRefused, parse_unit, refusal, refused_keys

ANY = frozenset(map(chr, range(256)))
"""Every character: frames are read as ISO 8859-1, in which each byte is one."""


def _one_byte_each(text: str) -> str:
    if not ANY.issuperset(text):
        raise ValueError(
            f"{text!r} holds a character that is no single byte; write ISO 8859-1 text, as U+0000 to U+00FF"
        )
    return text


def _known_unit(unit: str) -> str:
    try:
        return parse_unit(unit)
    except ValueRefused as refused:
        raise ValueError(str(refused)) from refused


Text = Annotated[str, AfterValidator(_one_byte_each)]
Word = Annotated[str, Field(min_length=1), AfterValidator(_one_byte_each)]
UnitName = Annotated[str, AfterValidator(_known_unit)]
Sign = Literal["+", "-"]


class Status(AdapterSettings):
    """What a gauge says about the value it sends."""

    meaning: str = ""
    """What it stands for, in words; left out only where all is well."""
    value_holds: bool = False
    """The value beside it counts."""
    ends_mastering: bool = False
    """After it the gauge has to be checked on its master again."""

    @model_validator(mode="after")
    def _says_what_it_means(self) -> Self:
        if not self.meaning and (self.ends_mastering or not self.value_holds):
            raise ValueError(
                'a status that is not simply well needs a meaning; write meaning = "battery low", or value_holds = true'
            )
        return self


class ErrorText(AdapterSettings):
    """What a gauge sends instead of a value."""

    meaning: str = Field(min_length=1)
    """What it stands for, in words."""
    ends_mastering: bool = False
    """After it the gauge has to be checked on its master again."""


class MeasuringSettings(AdapterSettings):
    """What a decoder's numbers are."""

    quantity: Literal["length", "temperature"] = "length"
    """What the numbers are."""
    unit: UnitName | None = None
    """Unit of every value, where frames name none; left out, the gauge's entry says it."""
    scale: Literal["C", "F"] | None = None
    """Scale of every temperature, where frames name none."""
    units: dict[Word, str] = Field(default={}, max_length=16)
    """The frame's spellings of its unit, and what they stand for: {I = "in", M = "mm"}; C or F for temperatures."""
    request: Text = Field(default="", max_length=64)
    """Text that asks the gauge for its value, terminator included; {channel} in it is replaced by the channel."""
    confirmation: Text = Field(default="", max_length=64)
    """Text that the gauge is sent once its value is on the disk, terminator included; {channel} as in request."""
    silence: float = Field(default=2.0, gt=0, le=60)
    """Seconds without a byte after which half a frame is a bad frame. The daemon looks twice a second."""

    def check_units(self, from_frame: bool) -> None:
        """Refuse units that contradict the quantity, or are given twice; `from_frame` says that frames name theirs.

        Raises:
            ValidationError: a finding for each key.
        """
        length = self.quantity == "length"
        found: dict[Key, PydanticCustomError] = {}
        other = "scale" if length else "unit"
        if getattr(self, other) is not None:
            found[other,] = refusal(
                f"a {self.quantity} has no {other}", hint="write unit for a length, scale for a temperature"
            )
        own = "unit" if length else "scale"
        if from_frame and getattr(self, own) is not None:
            found[own,] = refusal(
                f"the {own} is given and read from the frame too",
                hint=f"take {own} out, or units and its place",
            )
        if not length and not from_frame and self.scale is None:
            found["scale",] = refusal(
                "is missing: a temperature needs its scale", "C or F", hint='write scale = "C" or scale = "F"'
            )
        for spelling, unit in self.units.items():
            if length:
                try:
                    parse_unit(unit)
                except ValueRefused as refused:
                    found["units", spelling] = refusal(refused.finding, hint=refused.hint)
            elif unit not in ("C", "F"):
                found["units", spelling] = refusal(
                    f"{unit!r} is no scale of temperature", hint="write C or F"
                )
        if found:
            raise refused_keys("Settings", found)

    def asking(self, channel: str) -> bytes:
        """Return `request` for a channel; empty where it needs a channel and has none."""
        return _for(channel, self.request)

    def confirming(self, channel: str) -> bytes:
        """Return `confirmation` for a channel; empty where it needs a channel and has none."""
        return _for(channel, self.confirmation)


def _for(channel: str, text: str) -> bytes:
    """Return a text for a channel; empty where it needs a channel and has none."""
    if "{channel}" in text and not channel:
        return b""
    return text.replace("{channel}", channel).encode("latin-1", "replace")
