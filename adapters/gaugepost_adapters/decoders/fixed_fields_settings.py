"""What a station file says about a gauge whose frames have each thing at its place, checked before any byte comes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from gaugepost.contract import AdapterSettings, Key, refusal, refused_keys
from gaugepost_adapters.decoders.places import Places, places, untold
from gaugepost_adapters.decoders.shared_settings import ErrorText, MeasuringSettings, Sign, Status, Text, Word

_SIGNS: dict[str, Sign] = {"+": "+", "-": "-"}
_POINTS = {str(decimals): decimals for decimals in range(10)}
_NIBBLES = frozenset("0123456789ABCDEF")
_NUMBER = frozenset("0123456789+-. ")

Found = dict[Key, PydanticCustomError]


class Fields(AdapterSettings):
    """Where each thing stands. Places are counted from 1, those of `start` among them, and each has one meaning."""

    digits: Places
    """Where the digits are, the first one first: "6-11"."""
    sign: Places | None = None
    """Where the sign is, where it stands apart from the digits."""
    point: Places | None = None
    """Where it says how many of the digits are decimals."""
    unit: Places | None = None
    """Where the unit is."""
    status: Places | None = None
    """Where the status is."""
    channel: Places | None = None
    """Where the channel is."""
    fixed: dict[Places, Word] = Field(default={}, max_length=16)
    """What always stands at a place: {"1-4" = "FFFF"}. A frame with anything else there is a bad frame."""
    ignored: Places | None = None
    """Places where anything may stand, and which mean nothing."""

    def named(self) -> Iterator[tuple[Key, str]]:
        """Yield each field's key with its places."""
        for name in ("digits", "sign", "point", "unit", "status", "channel", "ignored"):
            if (where := getattr(self, name)) is not None:
                yield ("fields", name), where
        for where in self.fixed:
            yield ("fields", "fixed", where), where


class Settings(MeasuringSettings):
    """How a gauge or thermometer writes frames of one length."""

    cells: Literal["characters", "nibbles-high-first", "nibbles-low-first"] = "characters"
    """What a place is: a character, or half a byte, written as a hexadecimal digit; "low-first" where each byte's lower
    half is sent first, so that the byte 21 is the digits 1 and 2."""
    framing: Literal["terminator", "length", "packet", "silence"] = "terminator"
    """How frames are told apart: by `terminator`, by `start` and their length, by the packets of the link, or by a
    silence of `silence` between them."""
    start: Text = Field(default="", max_length=8)
    """What begins each frame: "\\u0002", or with nibbles their digits, "FFFF". It takes the first places."""
    terminator: Text | None = Field(default=None, max_length=8)
    """What ends each frame and takes no place; left out, "\\r\\n" where `framing` is "terminator", else nothing."""
    fields: Fields
    """Where each thing stands."""
    decimal_sign: Literal[".", ","] = "."
    """What stands between whole and part, where it is sent among the digits."""
    implied_decimals: int | None = Field(default=None, ge=0, le=9)
    """Digits come without a decimal sign, and always so many of them are decimals."""
    points: dict[Word, int] = Field(default=_POINTS, max_length=16)
    """What stands at `fields.point`, and how many decimals it means."""
    pad: bool = False
    """Spaces may stand around the number."""
    signs: dict[Word, Sign] = Field(default=_SIGNS, min_length=1, max_length=16)
    """What stands at `fields.sign`, and the sign it means: {0 = "+", 8 = "-"}."""
    statuses: dict[Word, Status] = Field(default={}, max_length=64)
    """What stands at `fields.status`, and what it means; a frame with anything else is a bad frame."""
    errors: dict[Word, ErrorText] = Field(default={}, max_length=64)
    """Whole frames, between `start` and `terminator`, that a gauge sends instead of a value."""

    @property
    def nibbles(self) -> bool:
        """Whether a place is half a byte."""
        return self.cells != "characters"

    @property
    def end(self) -> str:
        """The terminator as it is."""
        return (
            ("\r\n" if self.framing == "terminator" else "") if self.terminator is None else self.terminator
        )

    @property
    def length(self) -> int:
        """How many places a frame has, without its terminator."""
        return max(max(places(where)) for _, where in self.fields.named()) + 1

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        self.check_units(self.fields.unit is not None)
        cell = "nibble" if self.nibbles else "character"
        found: Found = dict(untold(self.fields.named(), len(self.start), cell))
        found |= self._framing()
        found |= self._point()
        for name, spelled in self._spelled().items():
            found |= self._spellings(name, getattr(self.fields, name), *spelled)
        for where, text in self.fields.fixed.items():
            if len(text) != len(places(where)):
                found["fields", "fixed", where] = refusal(
                    f"{text!r} does not fill {where}", hint="count again"
                )
        if self.nibbles:
            found |= self._digits_of_nibbles()
        if found:
            raise refused_keys("Settings", found)
        return self

    def _spelled(self) -> dict[str, tuple[str, Mapping[str, object]]]:
        """Keys of what stands at a field, with what may."""
        return {
            "sign": ("signs", self.signs),
            "point": ("points", self.points),
            "unit": ("units", self.units),
            "status": ("statuses", self.statuses),
        }

    def _spellings(self, field: str, where: str | None, key: str, spelled: Mapping[str, object]) -> Found:
        """Hold a field against what may stand there: both or neither, and as wide as its places."""
        if where is None:
            if spelled in ({}, _SIGNS, _POINTS):
                return {}
            return {
                (key,): refusal(
                    f"nothing stands at fields.{field}", hint=f"write its places, or take {key} out"
                )
            }
        if not spelled:
            hint = {"units": '{ 0 = "mm", 1 = "in" }', "statuses": "{ 0 = { value_holds = true } }"}.get(key)
            return {
                (key,): refusal(
                    f"is missing, to say what stands at fields.{field}", hint=f"write {key} = {hint}"
                )
            }
        width = len(places(where))
        wrong = [text for text in spelled if len(text) != width]
        if wrong and spelled in (_SIGNS, _POINTS):
            return {
                (key,): refusal(f"is missing: fields.{field} has {width} places", hint=f"write {key} = …")
            }
        return {
            (key, text): refusal(f"{text!r} does not fill fields.{field}, {where}", f"{width} of them")
            for text in wrong
        }

    def _point(self) -> Found:
        if self.fields.point is not None and self.implied_decimals is not None:
            return {
                ("implied_decimals",): refusal(
                    "the decimals are given twice", hint="take it or fields.point out"
                )
            }
        told = self.fields.point is not None or self.implied_decimals is not None
        if told and self.decimal_sign != ".":
            return {
                ("decimal_sign",): refusal("no decimal sign is sent among the digits", hint="take it out")
            }
        if self.nibbles and not told:
            return {
                ("fields", "point"): refusal(
                    "is missing: nibbles have no decimal sign",
                    hint="write the place that says it, or implied_decimals = 3",
                )
            }
        return {
            ("points", text): refusal(f"{decimals} decimals can't be", "0 to 9")
            for text, decimals in self.points.items()
            if not 0 <= decimals <= 9
        }

    def _framing(self) -> Found:
        found: Found = {}
        if self.framing == "terminator":
            if self.nibbles:
                found["framing",] = refusal(
                    "nibbles can hold the bytes of a terminator",
                    "length, packet or silence",
                    hint='write framing = "length" and start = "FFFF", or "packet" or "silence"',
                )
            elif not self.end:
                found["terminator",] = refusal(
                    "is empty", hint='write terminator = "\\r\\n", or another framing'
                )
            for key, edge in (("terminator", self.end), ("start", self.start)):
                if _NUMBER.intersection(edge):
                    found[key,] = refusal(
                        f"{edge!r} holds a character that numbers are made of",
                        hint='write framing = "length"',
                    )
                elif edge and any(edge in text for text in self._texts()):
                    found[key,] = refusal(
                        f"{edge!r} stands inside the frame too", hint='write framing = "length"'
                    )
        if self.framing == "length":
            proof = len(self.start) + len(self.end) + sum(map(len, self.fields.fixed.values()))
            if not self.start:
                found["start",] = refusal(
                    "is missing: without it nobody can tell where a frame begins",
                    hint='write what begins each frame, or framing = "packet" or "silence"',
                )
            elif self.nibbles and proof < 4:
                found["start",] = refusal(
                    f"{self.start!r} alone can stand inside a frame too",
                    "two bytes that are always the same, in start, terminator and fixed together",
                    hint='write more of them, or framing = "packet" or "silence"',
                )
            for text in self.errors:
                if len(text) != self.length - len(self.start):
                    found["errors", text] = refusal(
                        f"{text!r} is not as long as a frame",
                        hint='write framing = "terminator" if there is one',
                    )
        return found

    def _texts(self) -> Iterator[str]:
        for _, spelled in self._spelled().values():
            yield from spelled
        yield from self.fields.fixed.values()
        yield from self.errors

    def _digits_of_nibbles(self) -> Found:
        """Hold everything that is sent in nibbles to be written in their digits, and in whole bytes."""
        found: Found = {}
        if self.pad:
            found["pad",] = refusal("nibbles have no spaces", hint="take it out")
        if self.fields.sign is not None and self.signs == _SIGNS:
            found["signs",] = refusal(
                "is missing: nibbles have no + and -", hint='write signs = { 0 = "+", 8 = "-" }'
            )
        for name, (key, spelled) in self._spelled().items():
            for text in spelled if getattr(self.fields, name) and (key,) not in found else ():
                if not _NIBBLES.issuperset(text):
                    found[key, text] = _not_hexadecimal(text)
        whole: list[tuple[Key, str]] = [(("start",), self.start), (("terminator",), self.terminator or "")]
        whole += [(("errors", text), text) for text in self.errors]
        for where, text in whole:
            if len(text) % 2:
                found[where] = refusal(f"{text!r} ends in the middle of a byte", "an even number of nibbles")
        whole += [(("fields", "fixed", where), text) for where, text in self.fields.fixed.items()]
        for where, text in whole:
            if not _NIBBLES.issuperset(text):
                found[where] = _not_hexadecimal(text)
        if self.length % 2:
            found["fields",] = refusal(
                f"a frame has {self.length} nibbles",
                "an even number",
                hint="name the last one in fields.ignored",
            )
        return found


def _not_hexadecimal(text: str) -> PydanticCustomError:
    return refusal(
        f"{text!r} is no run of nibbles", "digits 0 to 9 and A to F", hint="write hexadecimal digits"
    )
