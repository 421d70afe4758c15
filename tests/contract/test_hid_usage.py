"""Values by usage: descriptors laid out by hand after HID 1.11, and the lengths that reports then mean."""

from decimal import Decimal

import pytest
from hypothesis import given, strategies as st
from pydantic import ValidationError

from gaugepost.contract import BadFrame, Chunk, Indication, Moment, Unit
from gaugepost.contract.kit import decoders
from gaugepost_adapters.decoders.hid.descriptor import Descriptor, DescriptorBroken
from gaugepost_adapters.decoders.hid.usage import HidUsage

# Composed after "Device Class Definition for HID" 1.11, 6.2.2: numbered report 1, one byte of flags, then a length of
# 24 bits in steps of 10^-5 cm (unit item 0x11: SI linear, centimetre; exponent nibble 0xB: -5).
LENGTH = bytes.fromhex(
    "0600ff 0901 a101 8501 0902 1500 2501 7501 9508 8102"
    "0903 1700ee85ff 27ffff7f00 7518 9501 6511 550b 8102 c0"
)
LEAST = -8_000_000
# The mouse of HID 1.11, Appendix E.10: buttons, padding, and X and Y of 8 bits each from -127 to 127.
MOUSE = bytes.fromhex(
    "05010902a1010901a100050919012903150025019503750181029501750581010501093009311581257f750895028106c0c0"
)
NOW = Moment(0, 0, "")


def _made(descriptor: bytes = LENGTH, usage: str = "ff00:0003", **given: object) -> HidUsage:
    settings = {"descriptor": descriptor.hex(), "usage": usage, **given}
    return HidUsage(HidUsage.Settings.model_validate(settings))


def _report(logical: int, number: int = 1) -> bytes:
    return bytes([number, 0]) + logical.to_bytes(3, "little", signed=True)


def test_the_standards_own_mouse_is_read() -> None:
    """The example of HID 1.11, E.10 gives three buttons, and X and Y in the second and third byte."""
    parsed = Descriptor.parse(MOUSE)
    assert (parsed.numbered, parsed.bits) == (False, {None: 24})
    assert [(one.usage, one.offset, one.size) for one in parsed.fields] == [
        (0x90001, 0, 1), (0x90002, 1, 1), (0x90003, 2, 1), (0x10030, 8, 8), (0x10031, 16, 8),
    ]  # fmt: skip
    x, y = parsed.values()
    assert (x.read(b"\x01\xfe\x05"), y.read(b"\x01\xfe\x05")) == (-2, 5)


def test_a_length_has_its_descriptors_unit_and_step() -> None:
    """Steps of 10^-5 cm are shown as ten-thousandths of a millimetre, exactly."""
    (decoded,) = _made().feed(Chunk(_report(380012), NOW, complete=True))
    assert decoded == Indication("38.0012", Decimal("38.0012"), Unit.MM, _report(380012))


@given(st.integers(-(2**23), 2**23 - 1))
def test_every_value_is_exact(logical: int) -> None:
    """Whatever the gauge's counter says, the length is that many steps, to the last digit."""
    (decoded,) = _made().feed(Chunk(_report(logical), NOW, complete=True))
    if logical < LEAST:
        assert isinstance(decoded, BadFrame)
    else:
        assert isinstance(decoded, Indication)
        assert decoded.value == Decimal(logical).scaleb(-4)


@pytest.mark.parametrize(
    ("exponent", "text"),
    # The standard's own table of exponents (6.2.2.7): codes 8 to F are -8 to -1.
    [("5509", "0.001234"), ("550a", "0.01234"), ("550f", "1234.0"), ("5500", "12340"), ("5501", "123400")],
)
def test_exponents_are_those_of_the_standard(exponent: str, text: str) -> None:
    """Each code of a unit's exponent is the power of ten that the standard gives it."""
    changed = LENGTH.replace(bytes.fromhex("550b"), bytes.fromhex(exponent))
    (decoded,) = _made(changed).feed(Chunk(_report(1234), NOW, complete=True))
    assert isinstance(decoded, Indication)
    assert decoded.value == Decimal(text)


def test_physical_extents_scale_logical_ones() -> None:
    """Resolution is (logical extent) / (physical extent * 10^exponent) (6.2.2.7): 0 to 1000 is 2 to 4 inches here."""
    data = bytes.fromhex("0600ff0903150026e803350245047510950165138102")
    decoder = _made(data)
    for logical, text in ((0, "2.000"), (1, "2.002"), (1000, "4.000")):
        (decoded,) = decoder.feed(Chunk(logical.to_bytes(2, "little"), NOW, complete=True))
        assert isinstance(decoded, Indication)
        assert (decoded.text, decoded.unit) == (text, Unit.INCH)
    (null,) = decoder.feed(Chunk(b"\xff\xff", NOW, complete=True))
    assert isinstance(null, BadFrame)


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        (_report(5, number=2), "report 2"),
        (_report(5)[:-1], "4 bytes instead of 5"),
        (_report(5) + b"\x00", "6 bytes instead of 5"),
        (_report(-(2**23)), "the gauge has no value"),
    ],
)
def test_what_is_no_whole_report_is_a_bad_frame(raw: bytes, word: str) -> None:
    """Another report, a short one, a long one and a null value are told, never read."""
    (decoded,) = _made().feed(Chunk(raw, NOW, complete=True))
    assert isinstance(decoded, BadFrame)
    assert word in decoded.reason


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"usage": "0020:0494"}, 'there are: "ff00:0003" in report 1, 24 bits, centimetres'),
        ({"usage": "length"}, 'write "page:usage"'),
        ({"unit": "mm"}, "take unit out"),
        ({"descriptor": "zz"}, "hexadecimal"),
        ({"descriptor": "27ff"}, "ends within"),
        ({"descriptor": "b4"}, "did not push"),
        ({"descriptor": LENGTH.replace(b"\x65\x11", b"\x65\x14").hex()}, "is no length"),
        ({"descriptor": LENGTH.replace(b"\x65\x11", b"\x65\x00").hex()}, 'write unit = "mm"'),
        ({"descriptor": "0600ff090315002503350045017508950165118102"}, "no decimal number"),
    ],
)
def test_settings_that_cannot_be_are_told_offline(given: dict[str, object], word: str) -> None:
    """What a descriptor can't give is found before any report comes, with what to write instead."""
    with pytest.raises(ValidationError, match=word):
        HidUsage.Settings.model_validate({"descriptor": LENGTH.hex(), "usage": "ff00:0003", **given})


@given(st.binary(max_size=300))
def test_any_bytes_are_a_descriptor_or_refused(data: bytes) -> None:
    """No device can bring the reading of its descriptor down, or make it large."""
    try:
        parsed = Descriptor.parse(data)
    except DescriptorBroken:
        return
    assert len(parsed.fields) <= 2 * 4096


def test_the_decoder_keeps_the_contract() -> None:
    """The kit's promises hold: every byte is accounted for, nothing is invented."""
    raw = _report(-250)
    expected = Indication("-0.0250", Decimal("-0.0250"), Unit.MM, raw)
    decoders.check_decoder(_made, [decoders.Sample(raw, (expected,), complete=True)])


def test_nothing_says_nothing() -> None:
    """A report without a byte, which only a broken link hands on, ends nothing and is no report."""
    for complete in (True, False):
        assert _made().feed(Chunk(b"", NOW, complete=complete)) == []
