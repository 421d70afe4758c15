"""What is signed, to the byte, and how a signature on records stands once something came after it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import Any

import pytest

from gaugepost.core.evidence import checkpoint, signature
from gaugepost.core.evidence.checkpoint import END_OF_9999_MS, Checkpoint, signed_by, sound
from gaugepost.core.evidence.signature import LOT, PIECE, RECORD, SPAN, Subject
from gaugepost.core.record import Entry, Kind, Record

EPOCH = "6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11"
AT = 1_795_000_000_000
HEAD = Checkpoint("Prüfplatz 1", EPOCH, 1001, 2000, bytes(range(32)), AT)
SIGNED = checkpoint.Signed(HEAD, key=b"k" * 32, signature=b"s" * 64)


def record(kind: Kind, **fields: Any) -> Record:
    return Record(kind=kind, measured_at=AT, clock_ms=0, **fields)


def entry(sequence: int, kind: Kind = Kind.READING, **fields: Any) -> Entry:
    return Entry(sequence, bytes([sequence]) * 32, record(kind, **fields))


def test_a_checkpoint_s_text_is_the_one_that_is_documented() -> None:
    """Whoever confirms a signature with another program writes these lines, to the byte."""
    assert HEAD.text().decode() == (
        "gaugepost checkpoint 1\n"
        'station "Prüfplatz 1"\n'
        f"epoch {EPOCH}\n"
        "records 1001 to 2000\n"
        "hash 000102030405060708090a0b0c0d0e0f101112131415161718191a1b1c1d1e1f\n"
        "time 2026-11-18T11:06:40.000Z\n"
    )
    following = replace(HEAD, next_key=b"\xab" * 32)
    assert following.text() == HEAD.text() + b"next key " + b"ab" * 32 + b"\n"


def made(key: Any = b"k" * 32, signature: Any = b"s" * 64, **changed: Any) -> checkpoint.Signed:
    return checkpoint.Signed(replace(HEAD, **changed), key, signature)


@pytest.mark.parametrize(
    "signed",
    [
        SIGNED,
        made(next_key=b"n" * 32),
        made(utc_ms=0),
        made(utc_ms=END_OF_9999_MS - 1),
        made(first=0, last=0),
    ],
)
def test_what_can_be_a_checkpoint(signed: checkpoint.Signed) -> None:
    """Sizes as SHA-256 and Ed25519 (RFC 8032) have them, whole numbers, and a time that can be written."""
    assert sound(signed)
    assert signed.checkpoint.text()


@pytest.mark.parametrize(
    "signed",
    [
        made(hash=bytes(31)),
        made(hash="h" * 32),
        made(key=b"k" * 33),
        made(key="k" * 32),
        made(signature=b"s" * 63),
        made(signature=None),
        made(next_key=b"n" * 31),
        made(next_key="n" * 32),
        made(first="1001"),
        made(last=2000.0),
        made(utc_ms="soon"),
        made(utc_ms=-1),
        made(utc_ms=END_OF_9999_MS),
        made(utc_ms=END_OF_9999_MS + 1),
    ],
)
def test_what_can_not_be_one(signed: checkpoint.Signed) -> None:
    """An archive's end is read from a file that anybody may have written: nothing else is looked at."""
    assert not sound(signed)


FIELDS = {
    "first": 1001,
    "last": 2000,
    "last_hash": bytes(range(32)),
    "public_key": b"k" * 32,
    "signature": b"s" * 64,
}


def test_a_checkpoint_s_record_says_what_was_signed() -> None:
    """Station and epoch are the journal's: a checkpoint fits no other."""
    told = record(Kind.CHECKPOINT, **FIELDS)
    assert signed_by(told, "Prüfplatz 1", EPOCH) == SIGNED
    following = record(Kind.CHECKPOINT, **FIELDS, next_public_key=b"n" * 32)
    assert signed_by(following, "Prüfplatz 1", EPOCH) == made(next_key=b"n" * 32)


@pytest.mark.parametrize("missing", FIELDS)
def test_a_record_that_lacks_a_part_is_no_checkpoint(missing: str) -> None:
    """Each part is needed, and each in its size."""
    others = {name: value for name, value in FIELDS.items() if name != missing}
    assert signed_by(record(Kind.CHECKPOINT, **others), "Prüfplatz 1", EPOCH) is None


def test_a_record_with_a_part_of_another_size_is_no_checkpoint() -> None:
    """A key that was cut short is no key."""
    assert signed_by(record(Kind.CHECKPOINT, **FIELDS | {"public_key": b"k"}), "s", EPOCH) is None


ON_PIECE = Subject(PIECE, 3, 9, lot="L-7", piece="2")


def test_a_signature_holds_exactly_what_was_signed() -> None:
    """SHA-256 over sequence (8 bytes, big endian) and chain hash of each record, in order."""
    entries = [entry(3, gauge="bore-1"), entry(5), entry(9, Kind.RESULT, gauge="bore-2")]
    found = signature.signed(ON_PIECE, entries)
    text = b"".join(each.to_bytes(8, "big") + bytes([each]) * 32 for each in (3, 5, 9))
    assert found.digest == hashlib.sha256(text).digest()
    assert (found.count, found.sequences) == (3, frozenset({3, 5, 9}))
    assert found.gauges == {"bore-1", "bore-2"}
    by = record(Kind.SIGNATURE, count=3, signed_sha256=found.digest)
    assert signature.holds(by, found)
    assert not signature.holds(by, signature.signed(ON_PIECE, entries[:2]))
    assert not signature.holds(by, signature.signed(ON_PIECE, [*entries[:2], entry(8)]))
    assert not signature.holds(replace(by, count=2), found)


@pytest.mark.parametrize(
    ("subject", "filed_under", "seen"),
    [
        (ON_PIECE, ("L-7", "2"), 9),
        (Subject(LOT, 3, 9, lot="L-7", piece="2"), ("L-7", None), 9),
        (Subject(SPAN, 3, 9, lot="L-7", piece="2"), (None, None), 12),
        (Subject(RECORD, 3, 3, lot="L-7", piece="2"), (None, None), 12),
    ],
)
def test_what_a_signature_is_about(
    subject: Subject, filed_under: tuple[str | None, str | None], seen: int
) -> None:
    """A lot and a piece go to the journal's end of that moment; a record and a span are seen as they then stood."""
    assert subject.filed_under == filed_under
    assert subject.seen(12) == seen


def test_a_record_says_what_it_signs() -> None:
    """What is signed, from where to where; what lacks that, or says something else, is no signature."""
    of_piece = record(Kind.SIGNATURE, code="piece", first=3, last=9, lot="L-7", piece="2")
    assert signature.subject_of(of_piece) == ON_PIECE
    for changed in ({"code": "page"}, {"code": None}, {"first": None}, {"last": None}):
        fields = {"code": "piece", "first": 3, "last": 9} | changed
        assert signature.subject_of(record(Kind.SIGNATURE, **fields)) is None


FOUND = signature.signed(ON_PIECE, [entry(3, gauge="bore-1"), entry(5, gauge="bore-1"), entry(9)])


@pytest.mark.parametrize(
    ("later", "came"),
    [
        ([], ()),
        ([entry(20, Kind.AMENDMENT, replaces=5)], ("an amendment",)),
        ([entry(20, Kind.VOID, replaces=9)], ("a void",)),
        ([entry(20, Kind.REJUDGED, replaces=3)], ("another judgement",)),
        ([entry(20, Kind.AMENDMENT, replaces=4), entry(21, Kind.VOID)], ()),
        ([entry(20, Kind.SUSPECT, gauge="bore-1", first=5, last=5)], ("a suspicion",)),
        ([entry(20, Kind.SUSPECT, gauge="bore-1", first=1, last=3)], ("a suspicion",)),
        ([entry(20, Kind.SUSPECT, gauge="bore-1", first=4, last=4)], ()),
        ([entry(20, Kind.SUSPECT, gauge="bore-1", first=6, last=8)], ()),
        ([entry(20, Kind.SUSPECT, gauge="bore-1", first=10, last=19)], ()),
        ([entry(20, Kind.SUSPECT, gauge="bore-2", first=1, last=19)], ()),
        (
            [
                entry(20, Kind.VOID, replaces=3),
                entry(21, Kind.SUSPECT, gauge="bore-1", first=1, last=19),
                entry(22, Kind.VOID, replaces=5),
                entry(23, Kind.AMENDMENT, replaces=9),
            ],
            ("a void", "a suspicion", "an amendment"),
        ),
    ],
)
def test_what_came_after_a_signature(later: list[Entry], came: tuple[str, ...]) -> None:
    """What was signed is otherwise now, or in doubt: each is said once, in the order in which it came."""
    assert signature.since(FOUND, later) == came


@pytest.mark.parametrize(
    ("came", "standing"),
    [
        ((), "as signed"),
        (("a void",), "signed before a void"),
        (("a void", "2 more records"), "signed before a void and 2 more records"),
    ],
)
def test_how_a_signature_stands(came: tuple[str, ...], standing: str) -> None:
    """It stays what it was; what it was made before is said beside it."""
    assert signature.standing(came) == standing


def test_records_that_came_to_a_lot_beside_are_counted() -> None:
    """One or several, after everything else."""
    assert signature.since(FOUND, [], 1) == ("1 more record",)
    assert signature.since(FOUND, [entry(20, Kind.VOID, replaces=3)], 2) == ("a void", "2 more records")


def test_a_signature_is_told_with_who_when_and_what_it_means() -> None:
    """The printed name, date and time, and the meaning (21 CFR 11.50), and how it stands."""
    by = entry(
        12,
        Kind.SIGNATURE,
        code="piece",
        lot="L-7",
        piece="2",
        first=3,
        last=9,
        count=3,
        operator="M2",
        printed_name="Example, Mara",
        meaning="review",
        text="looked at",
    )
    assert signature.document(by, EPOCH, True, ("a void",)) == {
        "id": f"{EPOCH}-12", "sequence": 12, "what": "piece", "lot": "L-7", "piece": "2",
        "first": f"{EPOCH}-3", "last": f"{EPOCH}-9", "count": 3, "signed_by": "M2",
        "printed_name": "Example, Mara", "signed_at": "2026-11-18T11:06:40.000Z", "meaning": "review",
        "reason": "looked at", "holds": True, "standing": "signed before a void",
    }  # fmt: skip
    assert signature.document(by, EPOCH, None, ())["holds"] is None
