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
import string
from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from gaugepost.contract import AdapterSettings, BadFrame, Condition, Decoded, ValueRefused
from gaugepost.contract.teaching import Drafts, Evidence
from gaugepost_adapters.decoders.delimited_settings import Settings
from gaugepost_adapters.decoders.framed import MeasuringDecoder, stated, with_decimals
from gaugepost_adapters.decoders.framing import Framer, Piece

_SPACES = re.compile(" +")
_LETTERS = string.ascii_letters + "\"'\xb5"


class DelimitedText(MeasuringDecoder):
    """Decodes frames of text. Each of a link's channels has its own half frame; a channel in the frame goes first."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        terminator, start = settings.terminator.encode("latin-1"), settings.start.encode("latin-1")
        super().__init__(settings, lambda: Framer(terminator, start))
        self._settings = settings
        self._match = settings.matcher().fullmatch
        self._errors = settings.error_matchers()
        self._holes = frozenset(settings.matcher().groupindex)
        self._spaced = settings.fields is not None and not settings.fields.separator.strip(" ")

    @classmethod
    def propose(cls, evidence: Evidence) -> Drafts:
        """Return patterns that read what was typed; see `proposing/text.py`."""
        from gaugepost_adapters.decoders.proposing import text

        return text.propose(evidence)

    @classmethod
    def usual(cls, tells: Mapping[str, str]) -> Iterable[Mapping[str, Any]]:
        """Return settings that many gauges are read by; see `proposing/usual.py`."""
        from gaugepost_adapters.decoders.proposing.usual import usual

        return usual()

    def decode(self, piece: Piece, channel: str) -> list[Decoded]:
        """Return what one frame says. Raises `ValueRefused` where that is nothing."""
        raw, body = piece.raw, piece.body.decode("latin-1")
        if not body:
            if self._settings.blank_lines:
                return []
            raise ValueRefused("a frame with nothing in it")
        if self._spaced:
            body = _SPACES.sub(" ", body).strip(" ")
        for matcher, code, error in self._errors:
            if at := matcher.fullmatch(body):
                channel = at.groupdict().get("channel") or channel
                return [Condition(code, error.meaning, raw, channel, error.ends_mastering)]
        found = self._match(body)
        if not found:
            raise ValueRefused(self._misfit(body))
        hole = found.groupdict().get
        channel = hole("channel") or channel
        said: list[Decoded] = []
        if status_text := hole("status"):
            status = self._settings.statuses[status_text]
            said = stated(status_text, status, raw, channel)
            if not status.value_holds:
                return said
        unit = self._settings.units[found["unit"]] if hole("unit") else None
        try:
            return [*said, self.measured(self._number_text(found), unit, raw, channel)]
        except ValueRefused as refused:
            return [BadFrame(str(refused.finding), raw, channel)]

    def _number_text(self, found: re.Match[str]) -> str:
        """The digits as a gauge would show them: the sign in front, a point for whatever stands for one."""
        text = found["value"].strip(" ").replace(self._settings.decimal_sign, ".")
        if self._settings.implied_decimals:
            digits = text.lstrip("+-")
            front = text[: len(text) - len(digits)]
            text = front + with_decimals(digits, self._settings.implied_decimals)
        if "sign" in self._holes and found["sign"]:
            text = self._settings.signs[found["sign"]] + text
        return text

    def _misfit(self, body: str) -> str:
        """Say what is wrong with a frame that does not fit, and what would make it fit where that is plain."""
        for end in ("\r\n", "\n", "\r"):
            if body.startswith(end) or body.endswith(end):
                kept = f"terminator = {self._settings.terminator!r} leaves in the frame"
                return f"{_short(body)} has a line end that {kept}"
        expected = f"pattern {self._settings.pattern!r}" if self._settings.pattern else "the fields"
        return f"{_short(body)} does not fit {expected}{self._why(body)}"

    def _why(self, body: str) -> str:
        """Return what alone keeps a frame from fitting: another decimal sign, or a unit that nobody named."""
        sign = self._settings.decimal_sign
        other = "," if sign == "." else "."
        if body.count(other) == 1 and sign not in body and self._match(body.replace(other, sign)):
            return f": it has a {other!r} before its decimals; decimal_sign = {other!r} reads that"
        text = body.rstrip(" ")
        unit = text[len(text.rstrip(_LETTERS)) :]
        if unit and "unit" in self._holes:
            before, known = text.removesuffix(unit), self._settings.units
            if any(self._match(before + name) for name in known):
                return f": {unit!r} is none of its units ({', '.join(known)})"
        return ""


def _short(body: str) -> str:
    return repr(body) if len(body) <= 40 else f"{body[:40]!r} and {len(body) - 40} characters more"
