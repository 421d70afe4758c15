"""A person's signature: what is recorded of it, and what is refused before."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gaugepost.core.bench import Decision, events as ev
from gaugepost.core.evidence.signature import LOT, PIECE, RECORD, SPAN, Signed, Subject, signed
from gaugepost.core.record import MEANINGS, Entry, Kind, Record
from tests.core.station import Hand, set_up


def measured() -> tuple[Hand, int, Record]:
    """A bench with a reading of piece 2; where it stands, and the reading."""
    hand = Hand(set_up()).ready()
    hand.do(ev.SetTags({"operator": "M1", "lot": "L1", "piece": "2", "position": "top"}))
    reading = hand.show("38.010")
    return hand, len(hand.records), reading


def of(hand: Hand, subject: Subject) -> Signed:
    """What a signature on a subject's records holds of them."""
    entries = [Entry(at, bytes([at]) * 32, each) for at, each in enumerate(hand.records, 1)]
    return signed(subject, entries[subject.first - 1 : subject.last])


def sign(
    hand: Hand, records: Signed, target: Record | None = None, meaning: str = "review", reason: str = ""
) -> Decision:
    return hand.do(ev.Sign(records, meaning, "Example, Mara", "M2", reason, target))


def test_a_signed_record_is_named_with_what_it_is_about() -> None:
    """Who, in print, when and with what meaning (21 CFR 11.50), bound by a hash to exactly that record (11.70)."""
    hand, at, reading = measured()
    records = of(hand, Subject(RECORD, at, at))
    decision = sign(hand, records, reading, reason="looked at")
    assert decision.reply.text == f"record {at} signed: review"
    assert decision.reply.accepted
    assert decision.records == (
        Record(
            kind=Kind.SIGNATURE,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            code="record",
            first=at,
            last=at,
            count=1,
            signed_sha256=records.digest,
            meaning="review",
            printed_name="Example, Mara",
            operator="M2",
            text="looked at",
            members=(at,),
            gauge="bore-1",
            characteristic="A",
            position="top",
        ),
    )


@pytest.mark.parametrize(
    ("subject", "said"),
    [
        (Subject(PIECE, 9, 12, lot="L1", piece="2"), "piece 2 of lot L1"),
        (Subject(PIECE, 9, 12, piece="2"), "piece 2"),
        (Subject(LOT, 9, 12, lot="L1"), "lot L1"),
        (Subject(SPAN, 9, 12), "records 9 to 12"),
    ],
)
def test_what_is_signed_together_is_filed_and_counted(subject: Subject, said: str) -> None:
    """Under its lot and piece; such a signature is on no record alone, and without a note it has none."""
    hand, _, _ = measured()
    records = of(hand, subject)
    decision = sign(hand, records, meaning="approval")
    assert decision.reply.text == f"{said} signed, {records.count} records: approval"
    assert decision.records == (
        Record(
            kind=Kind.SIGNATURE,
            measured_at=hand.now.utc_ms,
            clock_ms=hand.now.clock_ms,
            code=subject.what,
            first=9,
            last=12,
            lot=subject.lot,
            piece=subject.piece,
            count=records.count,
            signed_sha256=records.digest,
            meaning="approval",
            printed_name="Example, Mara",
            operator="M2",
        ),
    )


def test_a_piece_of_one_record_is_counted_by_nothing() -> None:
    """One record is not told as several."""
    hand, at, _ = measured()
    reply = sign(hand, of(hand, Subject(PIECE, at, at, lot="L1", piece="2"))).reply
    assert reply.text == "piece 2 of lot L1 signed: review"


@pytest.mark.parametrize("meaning", MEANINGS)
def test_every_meaning_can_be_said(meaning: str) -> None:
    """Review, approval, responsibility and authorship (21 CFR 11.50(a)(3)), and nothing else."""
    hand, at, reading = measured()
    records = of(hand, Subject(RECORD, at, at))
    assert sign(hand, records, reading, meaning=meaning).records[0].meaning == meaning
    refused = sign(hand, records, reading, meaning="applause").reply
    assert (refused.accepted, refused.hint) == (False, f"say {', '.join(MEANINGS)}")


@pytest.mark.parametrize(
    ("reason", "taken"), [("", True), ("x" * 500, True), ("x" * 501, False), ("a\x07b", False), ("ok", True)]
)
def test_a_note_prints_and_has_its_length(reason: str, taken: bool) -> None:
    """Up to 500 characters that print, or none."""
    hand, at, reading = measured()
    assert sign(hand, of(hand, Subject(RECORD, at, at)), reading, reason=reason).reply.accepted is taken


def test_nothing_is_not_signed() -> None:
    """A lot of which there is no record is refused by its name."""
    hand, _, _ = measured()
    reply = sign(hand, signed(Subject(LOT, 1, 0, lot="L9"), [])).reply
    assert reply.text == "there is nothing to sign in lot L9"


def test_what_nobody_can_answer_for_is_not_signed() -> None:
    """A start says nothing that a person vouches for; a set-up and another's signature do."""
    hand, at, reading = measured()
    records = of(hand, Subject(RECORD, at, at))
    for kind, taken in ((Kind.START, False), (Kind.TAGS, False), (Kind.SET_UP, True), (Kind.SIGNATURE, True)):
        reply = sign(hand, records, replace(reading, kind=kind)).reply
        assert reply.accepted is taken
        if not taken:
            assert reply.text == f"record {at} is a {kind}, which nobody signs"


def test_what_was_replaced_is_not_signed_alone() -> None:
    """Whoever signs has what stands before them; a piece is signed with all that ever was of it."""
    hand, at, reading = measured()
    hand.do(ev.Void(at, reading, "wrong piece"))
    by = len(hand.records)
    refused = sign(hand, of(hand, Subject(RECORD, at, at)), reading).reply
    assert (refused.text, refused.hint) == (f"record {at} was replaced by {by}", f"sign record {by}")
    assert sign(hand, of(hand, Subject(PIECE, at, by, lot="L1", piece="2"))).reply.accepted
    assert sign(hand, of(hand, Subject(RECORD, by, by)), hand.records[by - 1]).reply.accepted
