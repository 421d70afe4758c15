"""Codes: cut out of the bytes as they are, and nothing that can't be read or printed."""

from __future__ import annotations

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost.contract import BadFrame, Chunk, Code, Decoded, Moment
from gaugepost.contract.kit import decoders
from gaugepost_adapters.decoders.code_text import CodeText

NOW = Moment(0, 0, "")


def decoder(**settings: object) -> CodeText:
    return CodeText(CodeText.Settings.model_validate(settings))


def fed(data: bytes, **settings: object) -> list[Decoded]:
    return decoder(**settings).feed(Chunk(data, NOW, "3"))


def test_the_contract_holds() -> None:
    """Whole, in every cut, after garbage, cut short: a code or a bad frame, and no byte is lost."""
    samples = [
        decoders.Sample(raw, (Code(text, raw),))
        for text, raw in (("L-0311/7", b"\x02]CL-0311/7\r\n"), ("Prüfer 4", "\x02]CPrüfer 4\r\n".encode()))
    ]
    decoders.check_decoder(lambda: decoder(start="\x02", prefix="]C"), samples)


@given(st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=60))
def test_what_is_printed_is_what_is_read(text: str) -> None:
    """Any printable text comes out as it went in, on its channel."""
    raw = f"{text}\r\n".encode()
    assert fed(raw) == [Code(text, raw, "3")]


@pytest.mark.parametrize(
    ("data", "settings", "reason"),
    [
        (b"\r\n", {}, "nothing in it"),
        (b"a\x07b\r\n", {}, "can't be printed"),
        (b"\xff\xfe\r\n", {}, "not utf-8 text"),
        (b"abcdef\r\n", {"longest": 5}, "6 characters, and longest is 5"),
        (b"12\r\n", {"prefix": "A"}, "without its prefix"),
        (b"A\r\n", {"prefix": "A", "suffix": "A"}, "without its prefix"),
        (b"x" * 5000, {}, "4096"),
    ],
)
def test_what_is_no_code_is_a_bad_frame(data: bytes, settings: dict[str, object], reason: str) -> None:
    """It says why, with its bytes."""
    (bad, *_) = fed(data, **settings)
    assert isinstance(bad, BadFrame)
    assert reason in bad.reason
    assert bad.raw


def test_half_a_code_ends_with_silence_or_the_link() -> None:
    """Nothing that came is forgotten."""
    for is_lost in (False, True):
        made = decoder()
        assert made.feed(Chunk(b"L-03", NOW)) == made.idle(1.9) == []
        assert [bad.raw for bad in (made.reset() if is_lost else made.idle(2.0))] == [b"L-03"]
    assert decoder().request("3") == b""


def test_an_end_that_stands_inside_codes_is_refused() -> None:
    """A printable terminator would cut codes in two."""
    with pytest.raises(ValidationError, match="can stand inside a code"):
        decoder(terminator=";")
