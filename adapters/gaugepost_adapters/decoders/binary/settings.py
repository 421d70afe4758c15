"""What a station file says about a gauge that sends its numbers in binary, checked before any byte comes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from gaugepost.contract import AdapterSettings, Key, ValueRefused, parse_number, refusal, refused_keys
from gaugepost_adapters.decoders.binary.checks import Check, Order
from gaugepost_adapters.decoders.places import LAST_PLACE, Places, places, untold
from gaugepost_adapters.decoders.shared_settings import ErrorText, MeasuringSettings, Sign, Status

_HEX = re.compile(r"(?:[0-9A-Fa-f]{2} *)*", re.ASCII)
_WIDEST = {"signed": 8, "unsigned": 8, "float": 8, "bcd": 10}

Found = dict[Key, PydanticCustomError]


def _hex_text(said: object) -> object:
    if not isinstance(said, str) or not _HEX.fullmatch(said):
        raise refusal(
            f"{str(said)[:40]!r} is not bytes", "two hexadecimal digits a byte", hint='write "AA 55"'
        )
    return said.replace(" ", "").upper()


Bytes = Annotated[str, BeforeValidator(_hex_text)]
"""Bytes as hexadecimal digits: "AA 55"."""
SomeBytes = Annotated[Bytes, Field(min_length=2, max_length=512)]


class Fields(AdapterSettings):
    """Where each thing stands. Bytes are counted from 1, those of `start` among them, and each has one meaning."""

    value: Places
    """Where the number is: "3-6"."""
    unit: Places | None = None
    """Where the unit is."""
    status: Places | None = None
    """Where the status is."""
    channel: Places | None = None
    """Where the channel is: an unsigned number, whose digits are the channel's name."""
    length: Places | None = None
    """Where the frame says how long it is."""
    fixed: dict[Places, SomeBytes] = Field(default={}, max_length=16)
    """What always stands at a place: {"2" = "10"}. A frame with anything else there is a bad frame."""
    ignored: Places | None = None
    """Bytes that may be anything, and mean nothing."""

    def named(self) -> Iterator[tuple[Key, str]]:
        """Yield each field's key with its places."""
        for name in ("value", "unit", "status", "channel", "length", "ignored"):
            if (where := getattr(self, name)) is not None:
                yield ("fields", name), where
        for where in self.fixed:
            yield ("fields", "fixed", where), where


class Bit(AdapterSettings):
    """One bit: in the byte at a place, counted from 0, the lowest."""

    place: int = Field(ge=1, le=LAST_PLACE)
    """Place of its byte."""
    bit: int = Field(ge=0, le=7)
    """Which bit of that byte; 7 is the highest."""


class StatusBit(AdapterSettings):
    """What one bit of the status says."""

    meaning: str = Field(min_length=1)
    """What it stands for, in words."""
    when: Literal[0, 1] = 1
    """The bit says so when it is this; a "valid" bit says "not valid" when it is 0."""
    then: Literal["value-holds", "no-value", "bad-frame"]
    """What becomes of the value beside it: it counts, the bit stands instead of it, or the whole frame is a bad one."""
    ends_mastering: bool = False
    """After it the gauge has to be checked on its master again."""


class Settings(MeasuringSettings):
    """How a gauge or thermometer writes its binary frames."""

    framing: Literal["length", "packet", "silence"] = "length"
    """How frames are told apart: by `start` and their length, by the packets of the link, or by a silence of `silence`
    between them."""
    start: Annotated[Bytes, Field(max_length=16)] = ""
    """What begins each frame: "AA 55". It takes the first places."""
    terminator: Annotated[Bytes, Field(max_length=16)] = ""
    """What ends each frame, after the check; it takes no place."""
    fields: Fields
    """Where each thing stands."""
    number: Literal["signed", "unsigned", "float", "bcd"]
    """Integer of 8 to 64 bits, in two's complement or unsigned; IEEE 754 single or double; packed decimal digits."""
    order: Order
    """Which byte of the number, the status and the length is sent first."""
    multiplier: str = Field(default="1", max_length=24, examples=["0.001"])
    """What the number is multiplied by to give the unit: "0.001"."""
    resolution: str | None = Field(default=None, max_length=24, examples=["0.001"])
    """Step of the display, of a float: "0.0001". It is rounded to it, half to even."""
    sign_nibble: Literal["first", "last"] | None = None
    """Which nibble of packed decimal digits is the sign."""
    signs: dict[Annotated[str, Field(pattern="^[0-9A-F]$")], Sign] = Field(
        default={"C": "+", "D": "-", "F": "+"}, min_length=1, max_length=16
    )
    """What `sign_nibble` may be, and the sign it means."""
    sign_bit: Bit | None = None
    """The bit that is set where an unsigned number or packed decimal digits are negative."""
    units: dict[SomeBytes, str] = Field(default={}, max_length=16)
    """What stands at `fields.unit`, and the unit it means: {00 = "mm", 01 = "in"}; C or F for temperatures."""
    statuses: dict[SomeBytes, Status] = Field(default={}, max_length=64)
    """What stands at `fields.status`, and what it means; a frame with anything else is a bad frame."""
    status_bits: dict[Annotated[str, Field(pattern="^[0-9]{1,2}$")], StatusBit] = Field(
        default={}, max_length=64
    )
    """Instead of `statuses`: what bits at `fields.status` mean, 0 the lowest; any other one set is a bad frame."""
    ignored_bits: list[Annotated[int, Field(ge=0, le=63)]] = Field(default=[], max_length=64)
    """Bits at `fields.status` that mean nothing."""
    errors: dict[SomeBytes, ErrorText] = Field(default={}, max_length=64)
    """What stands at `fields.value` instead of a number: {"7F FF FF FF" = {meaning = "out of range"}}."""
    not_a_number: ErrorText | None = None
    """What a float that is infinite or not a number stands for; left out, it is a bad frame."""
    check: Check | None = None
    """Checksum at the end of the frame, before the terminator; it takes no place."""
    length_adds: int = Field(default=0, ge=-LAST_PLACE, le=LAST_PLACE)
    """What the length in the frame leaves out: bytes of the whole frame, less that number."""
    longest: int | None = Field(default=None, ge=1, le=LAST_PLACE)
    """Bytes of the longest frame, where frames differ in length; what is behind the named places means nothing."""

    @field_validator("multiplier", "resolution")
    @classmethod
    def _is_a_positive_number(cls, text: str | None) -> str | None:
        if text is not None:
            try:
                number = parse_number(text)
            except ValueRefused as refused:
                raise ValueError(str(refused)) from refused
            if number <= 0:
                raise ValueError(f'{text!r} is not more than zero; write it as "0.001"')
        return text

    @property
    def factor(self) -> Decimal:
        """The multiplier, without zeros at its end that would be digits of the product."""
        number = Decimal(self.multiplier).normalize()
        return number if number.as_tuple().exponent < 0 else number.quantize(Decimal(1))  # type: ignore[operator]

    @property
    def step(self) -> Decimal | None:
        """The resolution as a power of ten."""
        return None if self.resolution is None else Decimal(self.resolution).normalize()

    @property
    def start_bytes(self) -> bytes:
        """The start mark."""
        return bytes.fromhex(self.start)

    @property
    def end_bytes(self) -> bytes:
        """The terminator."""
        return bytes.fromhex(self.terminator)

    @property
    def named_length(self) -> int:
        """Bytes up to the last place that is named."""
        return max(len(self.start) // 2, max(max(places(where)) for _, where in self.fields.named()) + 1)

    @property
    def shortest(self) -> int:
        """Bytes of the shortest frame, check and terminator with it."""
        return self.named_length + (self.check.size if self.check else 0) + len(self.terminator) // 2

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        self.check_units(self.fields.unit is not None)
        found: Found = dict(untold(self.fields.named(), len(self.start) // 2, "byte"))
        for part in (self._framing(), self._number(), self._sign(), self._status(), self._lengths()):
            found |= part
        for name, key, spelled in (
            ("unit", "units", self.units),
            ("status", "statuses", self.statuses),
            ("value", "errors", self.errors),
        ):
            found |= self._spellings(name, key, spelled)
        for where, text in self.fields.fixed.items():
            if len(text) != 2 * len(places(where)):
                found["fields", "fixed", where] = refusal(
                    f"{text!r} does not fill {where}", hint="count again"
                )
        if found:
            raise refused_keys("Settings", found)
        return self

    def _spellings(self, field: str, key: str, spelled: Mapping[str, object]) -> Found:
        where = getattr(self.fields, field)
        if where is None:
            nothing = refusal(f"nothing stands at fields.{field}", hint=f"write its place, or take {key} out")
            return {(key,): nothing} if spelled else {}
        if field == "unit" and not spelled:
            return {(key,): refusal("is missing", hint='write units = { 00 = "mm", 01 = "in" }')}
        width = len(places(where))
        return {
            (key, text): refusal(f"{text!r} does not fill fields.{field}, {where}", f"{width} bytes")
            for text in spelled
            if len(text) != 2 * width
        }

    def _framing(self) -> Found:
        if self.framing != "length":
            return {}
        proof = len(self.start + self.terminator + "".join(self.fields.fixed.values())) // 2
        proof += (self.check.size if self.check else 0) + (self.fields.length is not None)
        if not self.start:
            return {
                ("start",): refusal(
                    "is missing: without it nobody can tell where a frame begins",
                    hint='write what begins each frame, or framing = "packet" or "silence"',
                )
            }
        if proof < 2:
            return {
                ("start",): refusal(
                    f"{self.start!r} alone can stand inside a frame too",
                    "two bytes that prove a frame, in start, terminator, fixed, length and check together",
                    hint='write more of them, or framing = "packet" or "silence"',
                )
            }
        return {}

    def _number(self) -> Found:
        found: Found = {}
        size, widest = len(places(self.fields.value)), _WIDEST[self.number]
        if self.number == "float" and size not in (4, 8):
            found["fields", "value"] = refusal(f"a float has 4 or 8 bytes, not {size}", hint="count again")
        elif size > widest:
            found["fields", "value"] = refusal(f"{size} bytes are too many", f"at most {widest}")
        if (self.number == "float") != (self.resolution is not None):
            found["resolution",] = (
                refusal(
                    "is missing: a float has no digits of its own",
                    "the step of the gauge's display",
                    hint='write resolution = "0.001"',
                )
                if self.number == "float"
                else refusal("belongs to a float; digits have their own", hint="take it out")
            )
        elif self.resolution and Decimal(self.resolution).normalize().as_tuple().digits != (1,):
            found["resolution",] = refusal(
                f"{self.resolution!r} is no power of ten", hint='write it as "0.001"'
            )
        if self.not_a_number and self.number != "float":
            found["not_a_number",] = refusal(f"belongs to a float, not to {self.number}", hint="take it out")
        return found

    def _sign(self) -> Found:
        found: Found = {}
        if self.sign_nibble and self.number != "bcd":
            found["sign_nibble",] = refusal("belongs to packed decimal digits", hint="take it out")
        if self.sign_bit:
            if self.number not in ("unsigned", "bcd") or self.sign_nibble:
                found["sign_bit",] = refusal("the number has a sign already", hint="take one of the two out")
            elif self.sign_bit.place > self.named_length:
                found["sign_bit", "place"] = refusal("is beyond the frame", f"at most {self.named_length}")
        return found

    def _status(self) -> Found:
        where, found = self.fields.status, Found()
        if where is None:
            if self.status_bits or self.ignored_bits:
                found["status_bits" if self.status_bits else "ignored_bits",] = refusal(
                    "nothing stands at fields.status", hint="write its place, or take them out"
                )
            return found
        size = len(places(where))
        if bool(self.statuses) == bool(self.status_bits):
            found["fields", "status"] = refusal(
                "one of statuses and status_bits is needed",
                hint='write status_bits = { 0 = { meaning = "battery low", then = "value-holds" } }',
            )
        if size > 8:
            found["fields", "status"] = refusal(f"{size} bytes are too many", "at most 8")
        for bit in self.status_bits:
            if int(bit) >= 8 * size or int(bit) in self.ignored_bits or bit != str(int(bit)):
                found["status_bits", bit] = refusal(
                    f"{bit} is no bit of the status, or is ignored", f"0 to {8 * size - 1}"
                )
        return found

    def _lengths(self) -> Found:
        found: Found = {}
        for key in ("longest", "length_adds"):
            if getattr(self, key) and self.fields.length is None:
                found[key,] = refusal("no frame says its length", hint="write fields.length, or take it out")
        if self.fields.length and len(places(self.fields.length)) > 2:
            found["fields", "length"] = refusal("a length has 1 or 2 bytes", hint="count again")
        if self.longest is not None and self.longest < self.shortest:
            found["longest",] = refusal(
                f"{self.longest} is shorter than the fields", f"{self.shortest} or more"
            )
        if self.check and self.check.begins > self.named_length:
            found["check", "begins"] = refusal(
                "the check would cover nothing", f"at most {self.named_length}"
            )
        return found
