"""A published record has the names of the vocabulary, and the vocabulary page says what the code does."""

from __future__ import annotations

import json
import re
import typing
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import example, given, settings, strategies as st

from gaugepost.core.errors import ValueRefused
from gaugepost.core.publication import (
    POINTERS,
    Epoch,
    parse_record_id,
    publish,
    publish_some,
    published_types,
    record_id,
    rfc3339,
)
from gaugepost.core.record import COLUMNS, FIELDS, Entry, Kind, Record
from tests.edge.readings import reading
from tests.edge.records import RECORDS

EPOCH = "6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11"
PAGE = Path(__file__).parents[2] / "deploy" / "vocabulary.md"


def _published(record: Record) -> dict[str, object]:
    return dict(publish(Entry(7, bytes(range(32)), record), EPOCH, "bench-3"))


def test_a_reading_is_published_as_the_page_says() -> None:
    """Exact numbers are plain text, records are named by id, bytes are hex, and what doesn't apply is left out."""
    told = _published(
        reading(
            0,
            value_mm=Decimal("1E-9"),
            reasons=("late", "cold"),
            members=(3, 4),
            ends_mastering=False,
            first=2,
        )
    )
    assert told["id"] == f"{EPOCH}-7"
    assert (told["sequence"], told["station"], told["kind"]) == (7, "bench-3", "reading")
    assert told["measured_at"] == "2026-11-05T09:33:54.567Z"
    assert (told["value_mm"], told["upper"]) == ("0.000000001", "38.025")
    assert told["raw"] == "33382e30313533206d6d0d0a"
    assert told["hash"] == bytes(range(32)).hex()
    assert told["mastering"] == f"{EPOCH}-9"
    assert told["members"] == [f"{EPOCH}-3", f"{EPOCH}-4"]
    assert told["reasons"] == ["late", "cold"]
    assert told["ends_mastering"] is False
    assert told["first"] == 2
    assert "conformity" not in told


@given(RECORDS.filter(lambda r: abs(r.measured_at) < 60_000_000_000_000))
def test_every_record_is_ready_for_json_under_the_vocabulary_s_names(record: Record) -> None:
    """Whatever a record holds, JSON gives back what was published, in the order of the columns."""
    told = _published(record)
    assert json.loads(json.dumps(told)) == told
    assert list(told) == [name for name in COLUMNS if name in told]
    for field in FIELDS:
        assert (field.name in told) == (getattr(record, field.name) is not None)
        if isinstance(value := getattr(record, field.name), Decimal):
            assert re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", str(told[field.name]))
            assert Decimal(str(told[field.name])) == value


@given(st.datetimes(min_value=datetime(1970, 1, 1), max_value=datetime(9999, 12, 31)))  # noqa: DTZ001
def test_times_are_those_of_the_standard_library(moment: datetime) -> None:
    """`measured_at` is RFC 3339 in UTC, cut to the millisecond."""
    moment = moment.replace(tzinfo=UTC, microsecond=moment.microsecond // 1000 * 1000)
    told = rfc3339(round(moment.timestamp() * 1000))
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", told)
    assert datetime.fromisoformat(told) == moment


@given(st.integers(min_value=1, max_value=2**63 - 1))
@example(2**63 - 1)
def test_an_id_names_its_record(sequence: int) -> None:
    """An id leads back to the epoch and the sequence that it was made of."""
    assert parse_record_id(record_id(EPOCH, sequence)) == (EPOCH, sequence)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "7",
        EPOCH,
        f"{EPOCH}-",
        f"{EPOCH}-0",
        f"{EPOCH}-07",
        f"{EPOCH}-x",
        f"{EPOCH}-٣",
        f"x-{EPOCH}-1",
        f"{EPOCH[1:]}-1",
        f"{EPOCH}-{2**63}",
        f"{EPOCH}-1{'0' * 5000}",
    ],
    ids=lambda text: text[:60],
)
def test_anything_else_is_no_id(text: str) -> None:
    """What can't be an id is refused, with how to write one."""
    with pytest.raises(ValueRefused, match="the sequence"):
        parse_record_id(text)


BEFORE = "0f8fad5b-d9cb-469f-a165-70867728950e"
FIRST = "11111111-2222-4333-8444-555555555555"


@pytest.mark.parametrize(
    ("sequence", "epoch", "last"),
    [(1, FIRST, 4), (4, FIRST, 4), (5, BEFORE, 9), (9, BEFORE, 9), (10, EPOCH, None)],
)
def test_salvaged_records_keep_their_ids(sequence: int, epoch: str, last: int | None) -> None:
    """A record is known by the epoch it was written in, to the last one of that and from the first of the next."""
    here = Epoch(EPOCH, [(4, FIRST), (9, BEFORE)])
    assert (here.of(sequence), here.last(sequence)) == (epoch, last)
    assert record_id(here, sequence) == f"{epoch}-{sequence}"
    assert publish(Entry(sequence, bytes(32), reading(0)), here, "bench-3")["id"] == f"{epoch}-{sequence}"


def test_pointers_into_an_earlier_epoch_lead_there() -> None:
    """What a record names is given by the id that it was published under, whichever epoch came since."""
    record = reading(0, mastering=4, members=(9, 10))
    told = publish(Entry(11, bytes(32), record), Epoch(EPOCH, [(4, FIRST), (9, BEFORE)]), "bench-3")
    assert told["mastering"] == f"{FIRST}-4"
    assert told["members"] == [f"{BEFORE}-9", f"{EPOCH}-10"]


@settings(max_examples=20)
@given(
    RECORDS.filter(lambda r: abs(r.measured_at) < 60_000_000_000_000),
    st.frozensets(st.sampled_from([*COLUMNS, "nothing"])),
)
def test_some_fields_are_those_of_the_whole(record: Record, names: frozenset[str]) -> None:
    """Whoever asks for a few fields gets them as in the whole record, in its order, with the id and the sequence."""
    entry = Entry(7, bytes(range(32)), record)
    whole = publish(entry, EPOCH, "bench-3")
    some = publish_some(entry, EPOCH, "bench-3", names)
    wanted = names | {"id", "sequence"}
    assert list(some.items()) == [(name, value) for name, value in whole.items() if name in wanted]
    assert publish_some(entry, EPOCH, "bench-3", frozenset(COLUMNS)) == whole


TYPES = {
    str: "text",
    int: "whole number",
    bool: "true or false",
    bytes: "hex",
    Decimal: "exact number",
    tuple[str, ...]: "list of texts",
    tuple[Decimal, ...]: "list of exact numbers",
}


def _rows(heading: str) -> list[list[str]]:
    _, _, rest = PAGE.read_text(encoding="utf-8").partition(heading)
    lines = rest.partition("\n\n")[0].splitlines()
    return [
        [c.strip().strip("`") for c in line.strip().strip("|").split("|")]
        for line in lines
        if line.startswith("| `")
    ]


def test_the_vocabulary_page_lists_every_name_with_its_type_unit_meaning_and_key() -> None:
    """Whoever reads published records finds on one page what the code publishes, and nothing else."""
    rows = _rows("| name | type | unit | meaning | key |\n")
    assert [row[0] for row in rows] == list(COLUMNS)
    hints = typing.get_type_hints(Record)
    of = {field.name: field for field in FIELDS}
    for name, told_type, unit, meaning, key in rows:
        if name not in of:
            assert name in ("id", "sequence", "station", "hash")
            continue
        hint = hints[name]
        kind = typing.get_args(hint)[0] if type(None) in typing.get_args(hint) else hint
        form = {"measured_at": "time", "members": "list of ids"}.get(name) or (
            "id" if name in POINTERS else "word" if of[name].metadata["words"] else TYPES[kind]
        )
        of_unit = "" if name in ("measured_at", "raw") else of[name].metadata["unit"]
        assert [told_type, unit, meaning, key] == [
            form, of_unit, of[name].metadata["meaning"], str(of[name].metadata["number"]),
        ]  # fmt: skip


def test_published_types_are_those_of_the_page() -> None:
    """A far side that keeps types (a database) takes them from the code, and finds there what the page says."""
    assert list(published_types().items()) == [
        (row[0], row[1]) for row in _rows("| name | type | unit | meaning | key |\n")
    ]


def test_the_vocabulary_page_lists_every_kind_with_its_number() -> None:
    """Every kind of record is explained, in the order of the numbers that stand for them on disk."""
    rows = _rows("| kind | what happened | number |\n")
    assert [(row[0], row[2]) for row in rows] == [
        (kind.value, str(n)) for n, kind in enumerate(Kind, start=1)
    ]
    assert all(row[1] for row in rows)


def test_the_vocabulary_page_lists_every_other_word_with_its_number() -> None:
    """Whoever reads bodies without this program finds what each number of a closed vocabulary stands for."""
    told = {}
    for names, words, numbers in _rows("| name | words | numbers |\n"):
        for name in names.replace("`", "").split(", "):
            told[name] = tuple(words.replace("`", "").split(", "))
            assert numbers == ", ".join(str(n) for n in range(1, len(told[name]) + 1))
    assert told == {
        field.name: field.metadata["words"]
        for field in FIELDS
        if field.metadata["words"] and field.name != "kind"
    }
