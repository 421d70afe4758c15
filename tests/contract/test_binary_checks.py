"""Checks by their parameters, against published check values and against the standard library's own."""

from __future__ import annotations

import binascii

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost_adapters.decoders.binary.checks import Check

NINE = b"123456789"
FULL_32 = 0xFFFFFFFF

# Check values of "123456789", as the catalogue of parametrised CRC algorithms (G. Cook) lists them, from memory; the
# parameters of the one of 24 bits are those of RFC 4880, 6.1, of the one of 32 those of RFC 1952, 8.
PUBLISHED = [
    ({"width": 8, "polynomial": 0x07}, 0xF4),
    ({"width": 8, "polynomial": 0x31, "reflect_in": True, "reflect_out": True}, 0xA1),
    ({"width": 16, "polynomial": 0x8005, "reflect_in": True, "reflect_out": True}, 0xBB3D),
    ({"width": 16, "polynomial": 0x8005, "initial": 0xFFFF, "reflect_in": True, "reflect_out": True}, 0x4B37),
    ({"width": 16, "polynomial": 0x8005}, 0xFEE8),
    ({"width": 16, "polynomial": 0x1021, "initial": 0xFFFF}, 0x29B1),
    ({"width": 16, "polynomial": 0x1021}, 0x31C3),
    ({"width": 16, "polynomial": 0x1021, "reflect_in": True, "reflect_out": True}, 0x2189),
    ({"width": 24, "polynomial": 0x864CFB, "initial": 0xB704CE}, 0x21CF02),
    (
        {
            "width": 32,
            "polynomial": 0x04C11DB7,
            "initial": FULL_32,
            "reflect_in": True,
            "reflect_out": True,
            "xor_out": FULL_32,
        },
        0xCBF43926,
    ),
    ({"width": 32, "polynomial": 0x04C11DB7, "initial": FULL_32, "xor_out": FULL_32}, 0xFC891918),
    ({"width": 64, "polynomial": 0x42F0E1EBA9EA3693}, 0x6C40DF5F0B497347),
]


def _value(data: bytes, **settings: object) -> int:
    return int.from_bytes(Check.model_validate({"kind": "crc", **settings}).function()(data), "big")


@pytest.mark.parametrize(("settings", "check"), PUBLISHED)
def test_a_crc_has_its_published_check_value(settings: dict[str, object], check: int) -> None:
    """The parameters that a handbook prints give the value that it prints beside them."""
    assert _value(NINE, **settings) == check


@given(st.binary(max_size=300))
def test_crcs_agree_with_the_standard_library(data: bytes) -> None:
    """Any bytes have the check that two functions made by others give."""
    assert _value(data, **PUBLISHED[9][0]) == binascii.crc32(data)
    assert _value(data, **PUBLISHED[5][0]) == binascii.crc_hqx(data, 0xFFFF)


@given(st.binary(max_size=60))
def test_a_crc_reflected_on_one_side_is_the_other_turned_about(data: bytes) -> None:
    """`reflect_out` alone turns the register about, bit by bit, and nothing else."""
    straight = _value(data, width=16, polynomial=0x1021)
    turned = _value(data, width=16, polynomial=0x1021, reflect_out=True)
    assert f"{straight:016b}" == f"{turned:016b}"[::-1]


@pytest.mark.parametrize(
    ("settings", "sent"),
    [
        ({"kind": "sum"}, "DD"),  # 0x31 + … + 0x39 = 477 = 0x1DD, by hand
        ({"kind": "sum", "width": 16}, "01 DD"),
        ({"kind": "sum", "width": 16, "order": "low-first"}, "DD 01"),
        ({"kind": "negative-sum"}, "23"),  # 0x100 - 0xDD
        ({"kind": "negative-sum", "width": 16}, "FE 23"),
        ({"kind": "xor"}, "31"),  # of 1 to 9: 1, with 0x30 an odd number of times
        ({"kind": "xor", "width": 16}, "39 08"),  # of 3132 3334 3536 3738 3900
        ({"kind": "crc", "width": 16, "polynomial": 0x1021, "order": "low-first"}, "C3 31"),
    ],
)
def test_checks_are_sent_as_wide_and_in_the_order_that_is_told(
    settings: dict[str, object], sent: str
) -> None:
    """Sums, their two's complement and exclusive ors come out as worked out by hand."""
    assert Check.model_validate(settings).function()(NINE) == bytes.fromhex(sent)


@given(st.binary(max_size=100))
def test_a_negative_sum_brings_the_sum_to_zero(data: bytes) -> None:
    """Added to the bytes that it covers, it gives zero."""
    assert (sum(data) + Check(kind="negative-sum").function()(data)[0]) % 256 == 0


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({"kind": "crc"}, "polynomial"),
        ({"kind": "crc", "polynomial": 0x1021}, "more than 8 bits"),
        ({"kind": "crc", "width": 16, "polynomial": 0x11021}, "more than 16 bits"),
        ({"kind": "sum", "polynomial": 7}, "belongs to a crc"),
        ({"kind": "xor", "reflect_in": True}, "reflects nothing"),
        ({"kind": "sum", "width": 12}, "8, 16, 24, 32 or 64"),
        ({"kind": "md5"}, "'sum', 'negative-sum', 'xor' or 'crc'"),
    ],
)
def test_checks_that_can_not_be_are_told_offline(settings: dict[str, object], word: str) -> None:
    """A parameter that does not fit its check is found before a byte comes."""
    with pytest.raises(ValidationError, match=word):
        Check.model_validate(settings)
