"""What a station file says about a gauge that sends text, checked before any byte comes."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from gaugepost.contract import AdapterSettings, ValueRefused
from gaugepost_adapters.decoders.layout import Hole, Part, compile_parts, parse_template
from gaugepost_adapters.decoders.shared_settings import (
    ANY,
    ErrorText,
    MeasuringSettings,
    Sign,
    Status,
    Text as Text,
    Word as Word,
)

_DIGITS = frozenset("0123456789")
_SIGNS: dict[str, Sign] = {"+": "+", "-": "-"}
_NAMES = frozenset("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz")


FieldNumber = Annotated[int, Field(ge=1, le=32)]


class Fields(AdapterSettings):
    """A frame that is a row of fields. Fields are counted from 1."""

    separator: Word = ","
    """What stands between two fields; with " ", any number of spaces counts as one, and those at the ends as none."""
    count: FieldNumber
    """How many fields a frame has. One with more or fewer is a bad frame."""
    value: FieldNumber
    """Which field holds the number."""
    sign: FieldNumber | None = None
    """Which field holds the sign, where it stands apart from the number."""
    unit: FieldNumber | None = None
    """Which field holds the unit."""
    status: FieldNumber | None = None
    """Which field holds the status."""
    channel: FieldNumber | None = None
    """Which field names the channel."""

    def parts(self) -> list[Part]:
        """Return the row as a template's parts.

        Raises:
            ValueRefused: a field that is not there, or two meanings for one.
        """
        meanings: dict[int, str] = {}
        for name in ("value", "sign", "unit", "status", "channel"):
            number = getattr(self, name)
            if number is None:
                continue
            if number > self.count or number in meanings:
                fault = (
                    "is the " + meanings[number] if number in meanings else f"is beyond count = {self.count}"
                )
                raise ValueRefused(
                    f"{name} = {number}: that field {fault}", hint="give each its own field, counted from 1"
                )
            meanings[number] = name
        row: list[Part] = []
        for number in range(1, self.count + 1):
            row += [Part(text=self.separator)] if row else []
            row.append(Part(meanings[number]) if number in meanings else Part("skip", optional=True))
        return row


class Settings(MeasuringSettings):
    """How a gauge or thermometer writes its frames."""

    terminator: Word = Field(default="\r\n", max_length=4)
    """What ends a frame, whole: with "\\r\\n" a lone "\\n" or "\\r" ends nothing."""
    start: Text = Field(default="", max_length=4)
    """Lead-in before each frame, as "\\u0002"; the last one before the terminator counts."""
    prefix: Text = ""
    """Text that must stand before the rest of the frame."""
    suffix: Text = ""
    """Text that must stand after the rest of the frame."""
    pattern: Text = ""
    """The frame's text with holes {value}, {sign}, {unit}, {status}, {channel} and {skip}: "{sign}{value} {unit?}".

    {value:7} is exactly 7 characters, {value:2-5} is 2 to 5, {unit?} may be absent, {{ is a brace. A sign that is
    always sent, an exact width or a lead-in tells a frame that lost its beginning from a whole one."""
    fields: Fields | None = None
    """Instead of `pattern`: a row of fields between separators."""
    decimal_sign: Literal[".", ","] = "."
    """What stands between whole and part."""
    implied_decimals: int | None = Field(default=None, ge=0, le=9)
    """Digits come without a decimal sign, and so many of them are decimals."""
    pad: bool = False
    """Spaces may stand around the number."""
    signs: dict[Word, Sign] = Field(default=_SIGNS, min_length=1, max_length=16)
    """The frame's spellings of {sign}, and what they stand for: {" " = "+", "-" = "-"}."""
    statuses: dict[Word, Status] = Field(default={}, max_length=64)
    """The frame's spellings of {status}, and what they mean; a frame with any other is a bad frame."""
    errors: dict[Word, ErrorText] = Field(default={}, max_length=64)
    """Whole frames, between lead-in and terminator, that a gauge sends instead of a value: {E2 = {meaning = "…"}}.

    They may have the holes {channel} and {skip}."""
    blank_lines: bool = False
    """Frames without a single character are passed over and kept nowhere; otherwise each is a bad frame."""

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        try:
            parts = self._parts()
            names = {part.name for part in parts}
            self._check_names(names, {part.name for part in parts if part.optional})
            self.check_units("unit" in names)
            self._check_edges(parts)
            self.matcher()
            self.error_matchers()
        except ValueRefused as refused:
            raise ValueError(str(refused)) from refused
        return self

    def matcher(self) -> re.Pattern[str]:
        """Return the matcher of a frame with a value; raises `ValueRefused` where it could be read in two ways."""
        parts = self._parts()
        number = _DIGITS if self.implied_decimals is not None else _DIGITS | {self.decimal_sign}
        number |= {" "} if self.pad else frozenset()
        number |= frozenset() if any(part.name == "sign" for part in parts) else {"+", "-"}
        holes = {
            "value": Hole(number),
            "sign": Hole(spellings=list(self.signs)),
            "unit": Hole(spellings=list(self.units)),
            "status": Hole(spellings=list(self.statuses)),
            "channel": Hole(_NAMES),
            "skip": Hole(ANY - {self.fields.separator[0]} if self.fields else ANY),
        }
        return compile_parts([*_text(self.prefix), *parts, *_text(self.suffix)], holes)

    def error_matchers(self) -> list[tuple[re.Pattern[str], str, ErrorText]]:
        """Return matcher, code and meaning of each error text."""
        holes = {"channel": Hole(_NAMES), "skip": Hole(ANY)}
        found = []
        for template, error in self.errors.items():
            parts = parse_template(template)
            code = "".join(part.text for part in parts).strip()
            if not code:
                raise ValueRefused(
                    f"errors: {template!r} has no text of its own", hint='write what the gauge sends, as "E2"'
                )
            found.append((compile_parts(parts, holes), code, error))
        return found

    def _parts(self) -> list[Part]:
        if bool(self.pattern) == (self.fields is not None):
            raise ValueRefused(
                "one of pattern and fields is needed",
                hint='write pattern = "{value}", or fields = {count = 1, value = 1}',
            )
        return self.fields.parts() if self.fields else parse_template(self.pattern)

    def _check_names(self, names: set[str], optional: set[str]) -> None:
        if "value" not in names or "value" in optional:
            raise ValueRefused(
                "a frame needs a {value}", hint='write it into pattern, without "?", or name its field'
            )
        if self.quantity == "temperature" and "unit" in optional:
            raise ValueRefused("a temperature without its scale is none", hint='write {unit} without "?"')
        for hole, key in (("unit", "units"), ("status", "statuses")):
            if (hole in names) != bool(getattr(self, key)):
                raise ValueRefused(
                    f"{key} and {{{hole}}} go together",
                    hint=f"write both, or neither of {{{hole}}} and {key} = …",
                )
        if "sign" not in names and self.signs != _SIGNS:
            raise ValueRefused(
                "signs has no {sign} to read", hint="put {sign} into the pattern, or take signs out"
            )
        if self.implied_decimals is not None and self.decimal_sign != ".":
            raise ValueRefused("implied_decimals leaves no decimal_sign", hint="take one of the two out")

    def _check_edges(self, parts: list[Part]) -> None:
        """Refuse a terminator or lead-in that a frame's own text could be taken for."""
        number = _DIGITS | {"+", "-", self.decimal_sign} | ({" "} if self.pad else set())
        own = [self.prefix, self.suffix, *(part.text for part in parts), *self.errors]
        own += [*self.units, *self.signs, *self.statuses]
        for name, edge in (("terminator", self.terminator), ("start", self.start)):
            if number.intersection(edge):
                raise ValueRefused(
                    f"{name} = {edge!r} holds a character that numbers are made of",
                    hint="see what the gauge sends between two numbers",
                )
            if edge and any(edge in text for text in own):
                raise ValueRefused(
                    f"{name} = {edge!r} stands inside the frame's own text too",
                    hint=f"leave {name} out of it: it is cut off before",
                )
        if self.start and (self.start in self.terminator or self.terminator in self.start):
            raise ValueRefused(
                "start and terminator hold each other",
                hint="they must differ, or ends can't be told from beginnings",
            )


def _text(text: str) -> list[Part]:
    return [Part(text=text)] if text else []
