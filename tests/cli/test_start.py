"""What a start makes ready beside the gauges, so that who asks first does not wait for it."""

from __future__ import annotations

import asyncio
from contextlib import closing
from pathlib import Path

import pytest

from gaugepost import app
from gaugepost.core.record import Kind
from gaugepost.edge.journal import Reader, codec
from gaugepost.edge.journal.bodies import Plain
from tests.bench_tools.years import fill


def test_the_first_question_is_answered_as_those_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The start has learned how the latest readings are alike; whoever asks has none read field by field."""
    fill(tmp_path / "journal.db", 3 * app.READ_AHEAD)
    by_field = 0
    one = Plain._by_field

    def counted(self: Plain, body: bytes) -> object:
        nonlocal by_field
        by_field += 1
        return one(self, body)

    monkeypatch.setattr(Plain, "_by_field", counted)
    monkeypatch.setattr(codec, "_plain", fresh := Plain(codec._FIELD_OF))
    monkeypatch.setattr(codec, "_fields_of", fresh.fields_of)
    with closing(Reader(tmp_path)) as reader:
        asyncio.run(app._read_ahead(reader))
        assert 0 < by_field < app.READ_AHEAD
        by_field = 0
        assert len(reader.latest(500, kinds=[Kind.READING], gauge="bore-B")) == 500
        assert by_field == 0


def test_a_journal_that_cannot_be_read_ends_no_start(tmp_path: Path) -> None:
    """What is wrong with it is told to whoever asks, and to the log where records are applied."""
    fill(tmp_path / "journal.db", 100)
    reader = Reader(tmp_path)
    reader.close()
    asyncio.run(app._read_ahead(reader))
