"""Numbers made by earlier rules come out of their bytes by those rules for good."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from gaugepost.core.bench.derive import Difference, differences
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.decoding import Decoders
from gaugepost.edge.journal.codec import decode

HERE = Path(__file__).parent


def _golden(derivation: int) -> list[Record]:
    lines = (HERE / f"derivation-{derivation}.txt").read_text(encoding="utf-8").splitlines()
    return [decode(bytes.fromhex(line)) for line in lines if not line.startswith("#")]


def _differing(records: list[Record]) -> list[int]:
    came = differences([Entry(at, b"", record) for at, record in enumerate(records, 1)], Decoders())
    return [each.sequence for each in came if isinstance(each, Difference)]


def test_what_derivation_1_made_comes_out_the_same() -> None:
    """A journal from before there were uncertainties is held to the rules of its time."""
    records = _golden(1)
    made = {record.kind for record in records if record.derivation == 1}
    assert made == {Kind.MASTERING, Kind.CHECK, Kind.READING, Kind.RESULT}
    assert _differing(records) == []


def test_what_derivation_2_made_comes_out_the_same() -> None:
    """A journal from before several readings had a budget of their own, and places a form, is held to its rules too."""
    records = _golden(2)
    made = {record.kind for record in records if record.derivation == 2}
    assert made == {Kind.MASTERING, Kind.CHECK, Kind.READING, Kind.RESULT}
    assert _differing(records) == []


def test_what_derivation_3_made_comes_out_the_same() -> None:
    """A journal from before a range and a form had an uncertainty is held to its rules too."""
    records = _golden(3)
    made = {record.kind for record in records if record.derivation == 3}
    assert made == {Kind.MASTERING, Kind.CHECK, Kind.READING, Kind.RESULT, Kind.FORM}
    assert _differing(records) == []


def test_what_derivation_4_made_comes_out_the_same() -> None:
    """A journal from before two masters counted at the size where their errors count most is held to its rules too."""
    records = _golden(4)
    made = {record.kind for record in records if record.derivation == 4}
    assert made == {Kind.MASTERING, Kind.CHECK, Kind.READING, Kind.RESULT, Kind.FORM}
    assert _differing(records) == []


def test_rules_are_told_apart() -> None:
    """The same readings said to be of derivation 2 are found out: they lack the uncertainty that it states."""
    records = [
        replace(record, derivation=2) if record.kind is Kind.READING else record for record in _golden(1)
    ]
    assert _differing(records) == [at for at, record in enumerate(records, 1) if record.kind is Kind.READING]
