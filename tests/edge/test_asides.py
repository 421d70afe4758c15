"""What was set aside and commanded: one list a destination, changed as a whole or not at all, and kept."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from gaugepost.core.errors import CommandRefused
from gaugepost.edge.asides import TRIES_KEPT, Asides, By, Counts
from gaugepost.edge.cursors import Batch, Cursors

EPOCH = "0b9ad0d5-5c6e-4f0f-9d51-8a3f3a2f7c11"
OLD = "6a1c1c42-7c5b-4d0e-8f3a-2f60c1b0a9d3"
BY = By(9000, "M2", "why not")


@pytest.fixture
def cursors(tmp_path: Path) -> Iterator[Cursors]:
    """Cursors of two destinations; "charts" has refused 2, 4 and 6 of ten records, and one of an older journal."""
    with closing(Cursors(tmp_path / "deliveries.db", first_start=True)) as cursors:
        for name, epoch, refused in (
            ("charts", OLD, (7,)),
            ("charts", EPOCH, (2, 4, 6)),
            ("other", EPOCH, (4,)),
        ):
            cursors.cursor(name, epoch, start="beginning", head=10)
            cursors.advance(name, epoch, 10, [(one, f"no {one}") for one in refused], at_ms=1000)
        yield cursors


def test_each_destination_has_its_own(cursors: Cursors) -> None:
    """What is done for one destination leaves the other's list as it is."""
    asides = Asides(cursors)
    assert asides.ask_again("charts", EPOCH, None, BY) == 3
    asides.skip("charts", EPOCH, [4], frozenset(), BY)
    assert asides.counts("charts", EPOCH) == Counts(refused=2, skipped=1, again=2)
    assert asides.counts("other", EPOCH) == Counts(refused=1)
    assert [one.again for one in asides.listed("other")] == [False]
    assert asides.commands("other") == []


def test_a_command_is_done_as_a_whole_or_not_at_all(cursors: Cursors) -> None:
    """One record that is not set aside refuses the whole command, and nothing of it is kept."""
    asides = Asides(cursors)
    with pytest.raises(CommandRefused, match="is not set aside"):
        asides.ask_again("charts", EPOCH, [2, 3], BY)
    for others in ([3], [10**30]):
        with pytest.raises(CommandRefused, match="is not set aside"):
            asides.skip("charts", EPOCH, [2, *others], frozenset({4, 5}), BY)
    assert asides.counts("charts", EPOCH) == Counts(refused=3)
    assert asides.commands("charts") == []


def test_records_of_an_older_journal_can_be_skipped(cursors: Cursors) -> None:
    """They are listed with the others, and leave the list of refused ones when somebody skips them."""
    asides = Asides(cursors)
    assert {one.id for one in asides.listed("charts")} == {f"{OLD}-7", *(f"{EPOCH}-{n}" for n in (2, 4, 6))}
    assert not asides.skip("charts", OLD, [7], frozenset(), BY)
    assert {one.epoch for one in asides.listed("charts")} == {EPOCH}
    (skipped,) = asides.listed("charts", skipped=True)
    assert (skipped.id, skipped.answer, skipped.skipped) == (f"{OLD}-7", "no 7", BY)


def test_a_batch_that_loses_a_record_is_forgotten(cursors: Cursors) -> None:
    """The boundaries of the batch under way go with the first of its records that is skipped, and only then."""
    asides = Asides(cursors)
    cursors.begin("charts", EPOCH, Batch(11, 13, "key", None))
    assert not asides.skip("charts", EPOCH, [2], frozenset({11, 12, 13}), BY)
    assert cursors.cursor("charts", EPOCH, start="now", head=20).pending == Batch(11, 13, "key", None)
    assert asides.skip("charts", EPOCH, [12], frozenset({11, 12, 13}), BY)
    assert cursors.cursor("charts", EPOCH, start="now", head=20).pending is None
    assert asides.left_out("charts", EPOCH, 10) == {12: 2}


def test_a_refusal_after_a_skip_stays_skipped(cursors: Cursors) -> None:
    """An answer that comes after all is kept beside who skipped it."""
    asides = Asides(cursors)
    asides.skip("charts", EPOCH, [12], frozenset({12}), BY)
    assert cursors.advance("charts", EPOCH, 12, [(12, "no 12")], at_ms=2000) == 3
    (skipped,) = asides.listed("charts", skipped=True)
    assert (skipped.sequence, skipped.answer, skipped.skipped) == (12, "no 12", BY)


def test_commands_are_kept_and_tries_are_bounded(cursors: Cursors, tmp_path: Path) -> None:
    """What names records is kept for good; of bare tries the latest hundred are."""
    asides = Asides(cursors)
    asides.ask_again("charts", EPOCH, [2], BY)
    for at in range(TRIES_KEPT + 50):
        asides.tried("charts", EPOCH, By(at))
    cursors.close()
    with closing(Cursors(tmp_path / "deliveries.db")) as reopened:
        kept = Asides(reopened).commands("charts", 1000)
    assert [one.by.at_ms for one in kept[:-1]] == list(range(TRIES_KEPT + 49, 49, -1))
    assert (kept[-1].what, kept[-1].sequences, kept[-1].by) == ("again", (2,), BY)
