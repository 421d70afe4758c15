"""The same journal gives the same numbers: from bytes and set-up, with the real decoder, whatever was done between."""

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal as D
from itertools import takewhile

import pytest

from gaugepost.core.bench import State, apply, events as ev
from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.indication import Decoded, Indication, Temperature
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Combine, LinkEntry
from gaugepost.edge.decoding import Decoders
from tests.core.station import AIR, Hand, set_up

LENGTHS = '{"pattern": "{value} {unit}", "units": {"mm": "mm", "in": "in"}}'
DEGREES = '{"pattern": "{value}", "quantity": "temperature", "scale": "C"}'
LINKS = {
    "usb-1": LinkEntry(
        name="usb-1", kind="serial_port", settings="{}", decoder="delimited_text", decoder_settings=LENGTHS
    ),
    "usb-9": LinkEntry(
        name="usb-9", kind="serial_port", settings="{}", decoder="delimited_text", decoder_settings=DEGREES
    ),
}


@pytest.fixture
def hand() -> Hand:
    """A warm morning: mastered, checked, combined, doubled, changed, voided, failed."""
    bore = {"readings": 2, "combine": Combine.MEAN, "coefficient": D("23.6E-6")}
    hand = Hand(set_up(characteristic=bore, thermometers={"air": AIR}, links=LINKS))
    hand.warm("24.00")
    hand.ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "1"}))
    for digits in ("38.010", "38.012", "38.031"):
        hand.show(digits)
    hand.do(ev.Void(hand.state.sequence, hand.records[-1], "chip"))
    hand.warm("24.50")
    hand.wait(0, wall_ms=3_600_000)
    hand.show("38.014")
    hand.show("1.49650", unit=Unit.INCH)
    hand.check("38.009")
    assert hand.last(Kind.SUSPECT).count
    return hand


def derived(records: list[Record]) -> list[Difference | int]:
    entries = [Entry(at, b"", record) for at, record in enumerate(records, 1)]
    return list(differences(entries, Decoders()))


def test_everything_comes_out_the_same(hand: Hand) -> None:
    """Every reading, result, mastering, check and temperature is what its bytes and the set-up make of it today."""
    came = derived(hand.records)
    assert [each for each in came if isinstance(each, Difference)] == []
    from_frames = {
        Kind.READING,
        Kind.RESULT,
        Kind.MASTER_READING,
        Kind.MASTERING,
        Kind.CHECK,
        Kind.TEMPERATURE,
    }
    wanted = [at for at, record in enumerate(hand.records, 1) if record.kind in from_frames | {Kind.SUSPECT}]
    assert came == wanted


def test_a_journal_whose_beginning_is_archived_comes_out_the_same(hand: Hand) -> None:
    """From any record on, with the bench that the ones before it left: what an archived reading completed is passed."""
    entries = [Entry(at, b"", record) for at, record in enumerate(hand.records, 1)]
    whole = derived(hand.records)
    state = State()
    for at, record in enumerate(hand.records):
        if at % 5 == 0 or record.kind is Kind.RESULT:
            came = list(differences(entries[at:], Decoders(), state))
            completed = len([*takewhile(lambda each: each.raw is None, hand.records[at:])])
            assert came == [each for each in whole if isinstance(each, int) and each > at + completed]
        state = apply(state, record)


def test_what_came_over_a_link_that_is_not_known_is_not_derived() -> None:
    """A set-up from before links were in it has no decoder for its frames: neither they nor their results are named."""
    hand = Hand(set_up(characteristic={"readings": 2, "combine": Combine.MEAN})).ready()
    hand.show("38.010")
    hand.show("38.012")
    assert hand.records[-1].kind is Kind.RESULT
    assert derived(hand.records) == []


def test_a_bad_frame_is_not_derived(hand: Hand) -> None:
    """Bytes that were no value are kept as such, and made no number that could come out otherwise."""
    bad = replace(hand.last(Kind.READING), kind=Kind.BAD_FRAME, raw=b"?", derivation=None)
    hand.records.append(bad)
    assert derived(hand.records) == derived(hand.records[:-1])


def test_a_value_that_is_part_of_its_frame_has_the_whole_frame(hand: Hand) -> None:
    """A decoder may hand on a value with a part of the bytes: the record's are those of the frame, nothing differs."""
    decode, entries = Decoders(), [Entry(at, b"", record) for at, record in enumerate(hand.records, 1)]

    def parts(link: LinkEntry, raw: bytes) -> list[Decoded]:
        return [
            replace(each, raw=b"part") if isinstance(each, Indication | Temperature) else each
            for each in decode(link, raw)
        ]

    assert list(differences(entries, parts)) == derived(hand.records)


@pytest.mark.parametrize(
    ("kind", "change", "field"),
    [
        (Kind.READING, lambda r: replace(r, value_mm=D("38.020")), "value_mm"),
        (Kind.READING, lambda r: replace(r, raw=b"38.011 mm"), "indication"),
        (Kind.RESULT, lambda r: replace(r, verdict="oversize"), "verdict"),
        (Kind.CHECK, lambda r: replace(r, error_mm=D("0.001")), "error_mm"),
        (Kind.TEMPERATURE, lambda r: replace(r, raw=b"24.10"), "temperature_c"),
    ],
)
def test_what_was_made_otherwise_is_found(
    hand: Hand, kind: Kind, change: Callable[[Record], Record], field: str
) -> None:
    """A number that its bytes do not give, or bytes that do not give the number, is named with its record."""
    at = next(at for at, record in enumerate(hand.records) if record.kind is kind)
    hand.records[at] = change(hand.records[at])
    found = [each for each in derived(hand.records) if isinstance(each, Difference)]
    assert found[0].sequence == at + 1
    assert field in found[0].fields


def test_bytes_that_say_nothing(hand: Hand) -> None:
    """A frame that no longer holds one value is named, and so are rules that are not known here."""
    at = next(at for at, record in enumerate(hand.records) if record.kind is Kind.READING)
    hand.records[at] = replace(hand.records[at], raw=b"?")
    found = [each for each in derived(hand.records) if isinstance(each, Difference)]
    assert found[0] == Difference(at + 1, "its bytes hold 0 values")
    hand.records[at] = replace(hand.records[at], derivation=99)
    found = [each for each in derived(hand.records) if isinstance(each, Difference)]
    assert "derivation 99" in found[0].finding


def test_what_no_reading_completed_is_found(hand: Hand) -> None:
    """A result that came twice, or after a reading that completes none, is named: what it says was never measured."""
    at = next(at for at, record in enumerate(hand.records) if record.kind is Kind.RESULT)
    for doubled in (at + 1, at - 1):
        records = [*hand.records[:doubled], hand.records[at], *hand.records[doubled:]]
        found = [each for each in derived(records) if isinstance(each, Difference)]
        assert found[0] == Difference(doubled + 1, "no reading completes it")


def test_what_rests_on_missing_records_is_said_to(hand: Hand) -> None:
    """After a record that is missing no frame is derived, as it may rest on it, until a salvage says what is kept."""
    entries = [Entry(at, b"", record) for at, record in enumerate(hand.records, 1)]
    at = next(at for at, entry in enumerate(entries) if entry.record.kind is Kind.MASTERING)
    came = list(differences([*entries[:at], *entries[at + 1 :]], Decoders()))
    frames = [
        entry.sequence
        for entry in entries[at + 1 :]
        if entry.record.kind in (Kind.READING, Kind.MASTER_READING, Kind.TEMPERATURE)
    ]
    missing = [each for each in came if isinstance(each, Difference)]
    assert [each.sequence for each in missing] == frames
    assert {each.finding for each in missing} == {"can't be derived: records that it may rest on are missing"}
    assert all(isinstance(each, Difference) or each <= at for each in came)
    salvage = Record(
        kind=Kind.SALVAGE, measured_at=hand.now.utc_ms, clock_ms=hand.now.clock_ms, boot="boot-1"
    )
    hand.records.append(salvage)
    hand.warm("25.10")
    later = [Entry(seq, b"", record) for seq, record in enumerate(hand.records, 1)][len(entries) :]
    came = list(differences([*entries[:at], *entries[at + 1 :], *later], Decoders()))
    assert came[-1] == later[-1].sequence
