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

from gaugepost.contract import AdapterSettings, Code, Decoded, ValueRefused
from gaugepost_adapters.decoders.delimited_settings import Text, Word
from gaugepost_adapters.decoders.framed import FramedDecoder
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


class CodeText(FramedDecoder):
    """Decodes codes. Each of a link's channels has its own half code."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        terminator, start = settings.terminator.encode("latin-1"), settings.start.encode("latin-1")
        super().__init__(settings.silence, lambda: Framer(terminator, start))
        self._settings = settings

    def decode(self, piece: Piece, channel: str) -> list[Decoded]:
        """Return the code. Raises `ValueRefused` where it can't be read or printed."""
        try:
            text = piece.body.decode(self._settings.encoding)
        except UnicodeDecodeError as error:
            raise ValueRefused(f"a code that is not {self._settings.encoding} text") from error
        before, after = self._settings.prefix, self._settings.suffix
        own = text[len(before) : len(text) - len(after)]
        if f"{before}{own}{after}" != text:
            raise ValueRefused(f"a code without its prefix {before!r} or suffix {after!r}")
        if not own:
            raise ValueRefused("a code with nothing in it")
        if len(own) > self._settings.longest:
            raise ValueRefused(f"a code of {len(own)} characters, and longest is {self._settings.longest}")
        if not own.isprintable():
            raise ValueRefused("a code with characters that can't be printed")
        return [Code(own, piece.raw, channel)]
