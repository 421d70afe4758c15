"""Gauges and thermometers that send text and end it with a terminator: most of those with a serial port.

    H c c   s d d d d . d d d   u   t  T T
    │ │     │ │                 │   │  └ terminator (and before it `suffix`)
    │ │     │ │                 │   └ status letter: well, battery low, out of range …
    │ │     │ │                 └ unit, as the gauge spells it
    │ │     │ └ digits with a decimal sign, or without where decimals are implied
    │ │     └ sign, in front of the digits or apart from them
    │ └ channel, where one box sends for several gauges
    └ lead-in (and after it `prefix`)

Every part but the digits and the terminator may be missing; the settings say which there are and in which order.
Digits are read by the house's own grammar, never by what a number type would accept.
"""

from __future__ import annotations

import re
from typing import ClassVar

from gaugepost.contract import (
    AdapterSettings,
    BadFrame,
    Chunk,
    Condition,
    Decoded,
    Indication,
    Temperature,
    Unit,
    ValueRefused,
    parse_number,
    parse_temperature_c,
    parse_unit,
)
from gaugepost_adapters.decoders.delimited_settings import Settings
from gaugepost_adapters.decoders.framing import Framer, Piece

_SPACES = re.compile(" +")


class DelimitedText:
    """Decodes frames of text. Each of a link's channels has its own half frame; a channel in the frame goes first."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._match = settings.matcher().fullmatch
        self._errors = settings.error_matchers()
        self._holes = frozenset(settings.matcher().groupindex)
        self._units: dict[str, Unit] = {}
        if settings.quantity == "length":
            self._units = {spelling: parse_unit(unit) for spelling, unit in settings.units.items()}
        self._unit = parse_unit(settings.unit) if settings.unit else None
        self._spaced = settings.fields is not None and not settings.fields.separator.strip(" ")
        self._measured = self._length if settings.quantity == "length" else self._temperature
        self._framers: dict[str, Framer] = {}

    def feed(self, chunk: Chunk) -> list[Decoded]:
        """Return what became complete with this chunk, in the order of arrival."""
        framer = self._framers.get(chunk.channel)
        if framer is None:
            framer = self._framers[chunk.channel] = Framer(
                self._settings.terminator.encode("latin-1"), self._settings.start.encode("latin-1")
            )
        decoded: list[Decoded] = []
        for piece in framer.split(chunk.data, chunk.complete):
            decoded += self._decode(piece, chunk.channel)
        return decoded

    def idle(self, elapsed_s: float) -> list[Decoded]:
        """Return half frames as bad ones once `silence` has passed."""
        if elapsed_s < self._settings.silence:
            return []
        return self._forget(f"half a frame, then nothing for {self._settings.silence:g} s")

    def request(self, channel: str = "") -> bytes:
        """Return the bytes that ask for a value; empty where `request` is, or where it needs a channel and has none."""
        if "{channel}" in self._settings.request and not channel:
            return b""
        return self._settings.request.replace("{channel}", channel).encode("latin-1", "replace")

    def reset(self) -> list[Decoded]:
        """Return half frames as bad ones: the link was lost in the middle of them."""
        return self._forget("half a frame, then the link was lost")

    def _forget(self, reason: str) -> list[Decoded]:
        return [
            BadFrame(reason, piece.raw, channel)
            for channel, framer in self._framers.items()
            for piece in framer.forget(reason)
        ]

    def _decode(self, piece: Piece, channel: str) -> list[Decoded]:
        if piece.fault:
            return [BadFrame(piece.fault, piece.raw, channel)]
        body = piece.body.decode("latin-1")
        if not body:
            return (
                []
                if self._settings.blank_lines
                else [BadFrame("a frame with nothing in it", piece.raw, channel)]
            )
        if self._spaced:
            body = _SPACES.sub(" ", body).strip(" ")
        for matcher, code, error in self._errors:
            if at := matcher.fullmatch(body):
                return [
                    Condition(
                        code,
                        error.meaning,
                        piece.raw,
                        at.groupdict().get("channel") or channel,
                        error.ends_mastering,
                    )
                ]
        found = self._match(body)
        if not found:
            return [BadFrame(self._misfit(body), piece.raw, channel)]
        hole = found.groupdict().get
        channel = hole("channel") or channel
        said: list[Decoded] = []
        raw = piece.raw
        if status_text := hole("status"):
            status = self._settings.statuses[status_text]
            if status.meaning:
                # Each byte belongs to one event: where a value follows, the frame is the value's.
                own = b"" if status.value_holds else raw
                said = [Condition(status_text, status.meaning, own, channel, status.ends_mastering)]
            if not status.value_holds:
                return said
        try:
            return [*said, self._measured(found, raw, channel)]
        except ValueRefused as refused:
            return [BadFrame(str(refused.finding), raw, channel)]

    def _number_text(self, found: re.Match[str]) -> str:
        """The digits as a gauge would show them: the sign in front, a point for whatever stands for one."""
        text = found["value"].strip(" ").replace(self._settings.decimal_sign, ".")
        if self._settings.implied_decimals:
            digits = text.lstrip("+-")
            whole = digits.zfill(self._settings.implied_decimals + 1)
            cut = len(whole) - self._settings.implied_decimals
            text = f"{text[: len(text) - len(digits)]}{whole[:cut]}.{whole[cut:]}"
        if "sign" in self._holes and found["sign"]:
            text = self._settings.signs[found["sign"]] + text
        return text

    def _length(self, found: re.Match[str], raw: bytes, channel: str) -> Indication:
        text = self._number_text(found)
        unit = self._unit
        if "unit" in self._holes and found["unit"]:
            unit = self._units[found["unit"]]
        return Indication(text, parse_number(text), unit, raw, channel)

    def _temperature(self, found: re.Match[str], raw: bytes, channel: str) -> Temperature:
        scale: str | None = self._settings.scale
        if "unit" in self._holes:
            scale = self._settings.units.get(found["unit"] or "")
        value = parse_number(self._number_text(found))
        return Temperature(parse_temperature_c(f"{value:f} {scale}"), raw, channel)

    def _misfit(self, body: str) -> str:
        """Say what is wrong with a frame that does not fit, and what would make it fit where that is plain."""
        for end in ("\r\n", "\n", "\r"):
            if body.startswith(end) or body.endswith(end):
                kept = f"terminator = {self._settings.terminator!r} leaves in the frame"
                return f"{_short(body)} has a line end that {kept}"
        expected = f"pattern {self._settings.pattern!r}" if self._settings.pattern else "the fields"
        return f"{_short(body)} does not fit {expected}"


def _short(body: str) -> str:
    return repr(body) if len(body) <= 40 else f"{body[:40]!r} and {len(body) - 40} characters more"
