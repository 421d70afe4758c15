"""Scanners, and foot switches that type a key: whatever text comes, up to its end, is a code.

    H   c c c c c c c   T T
    │   │               └ terminator (and before it `suffix`)
    │   └ the code: printable characters
    └ lead-in (and after it `prefix`)

What a code says is the station file's business; here it is only cut out of the bytes.
"""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field

from gaugepost.contract import AdapterSettings, BadFrame, Chunk, Code, Decoded
from gaugepost_adapters.decoders.delimited_settings import Text, Word
from gaugepost_adapters.decoders.framing import Framer, Piece


def _ends_no_line(text: str) -> str:
    if text.isprintable() and text.strip():
        raise ValueError(
            f'{text!r} can stand inside a code; write a line end, as "\\r\\n", or a control character'
        )
    return text


class Settings(AdapterSettings):
    """How a scanner ends what it read."""

    terminator: Annotated[Word, AfterValidator(_ends_no_line)] = Field(default="\r\n", max_length=4)
    """What ends a code, whole: with "\\r\\n" a lone "\\n" or "\\r" ends nothing."""
    start: Text = Field(default="", max_length=4)
    """Lead-in before each code, as "\\u0002"; the last one before the terminator counts."""
    prefix: Text = ""
    """Text that must stand before the code and is no part of it, as the letter of its symbology."""
    suffix: Text = ""
    """Text that must stand after the code and is no part of it."""
    encoding: Literal["utf-8", "latin-1", "ascii"] = "utf-8"
    """How characters are written in bytes."""
    longest: int = Field(default=200, ge=1, le=4000)
    """Characters of the longest code; a longer one is a bad frame."""
    silence: float = Field(default=2.0, gt=0, le=60)
    """Seconds without a byte after which half a code is a bad frame."""


class CodeText:
    """Decodes codes. Each of a link's channels has its own half code."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._framers: dict[str, Framer] = {}

    def feed(self, chunk: Chunk) -> list[Decoded]:
        """Return what became complete with this chunk, in the order of arrival."""
        framer = self._framers.get(chunk.channel)
        if framer is None:
            framer = self._framers[chunk.channel] = Framer(
                self._settings.terminator.encode("latin-1"), self._settings.start.encode("latin-1")
            )
        return [self._decode(piece, chunk.channel) for piece in framer.split(chunk.data, chunk.complete)]

    def idle(self, elapsed_s: float) -> list[Decoded]:
        """Return half codes as bad frames once `silence` has passed."""
        if elapsed_s < self._settings.silence:
            return []
        return self._forget(f"half a code, then nothing for {self._settings.silence:g} s")

    def request(self, channel: str = "") -> bytes:
        """Return nothing: a scanner is not asked."""
        return b""

    def reset(self) -> list[Decoded]:
        """Return half codes as bad frames: the link was lost in the middle of them."""
        return self._forget("half a code, then the link was lost")

    def _forget(self, reason: str) -> list[Decoded]:
        return [
            BadFrame(reason, piece.raw, channel)
            for channel, framer in self._framers.items()
            for piece in framer.forget(reason)
        ]

    def _decode(self, piece: Piece, channel: str) -> Decoded:
        if piece.fault:
            return BadFrame(piece.fault, piece.raw, channel)
        try:
            text = piece.body.decode(self._settings.encoding)
        except UnicodeDecodeError:
            return BadFrame(f"a code that is not {self._settings.encoding} text", piece.raw, channel)
        before, after = self._settings.prefix, self._settings.suffix
        own = text[len(before) : len(text) - len(after)]
        if f"{before}{own}{after}" != text:
            return BadFrame(f"a code without its prefix {before!r} or suffix {after!r}", piece.raw, channel)
        if not own or not own.isprintable() or len(own) > self._settings.longest:
            return BadFrame(self._unusable(own), piece.raw, channel)
        return Code(own, piece.raw, channel)

    def _unusable(self, text: str) -> str:
        if not text:
            return "a code with nothing in it"
        if len(text) > self._settings.longest:
            return f"a code of {len(text)} characters, and longest is {self._settings.longest}"
        return "a code with characters that can't be printed"
