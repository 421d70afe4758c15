"""Frozen values with many fields keep what was given, and are refused where something is missing or unknown."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, dataclass

import pytest

from gaugepost.core.frozen import Word, changed, filled, sparse


@sparse
@dataclass(frozen=True, kw_only=True)
class Sheet:
    """Two fields that it needs, two that it can do without."""

    gauge: str
    count: int
    lot: str | None = None
    piece: str | None = None


def made() -> type[Sheet]:
    """The same kind of sheet, made at this moment."""

    @sparse
    @dataclass(frozen=True, kw_only=True)
    class Anew(Sheet):
        pass

    return Anew


def test_what_does_not_apply_is_not_kept_and_read_as_none() -> None:
    """A value costs what it holds: a field that is None takes no room, and reads like any other."""
    sheet = made()(gauge="bore-1", count=0, lot=None, piece="7")
    assert vars(sheet) == {"gauge": "bore-1", "count": 0, "piece": "7"}
    assert (sheet.lot, sheet.count) == (None, 0)


@pytest.mark.parametrize(
    ("given", "wrong"),
    [
        ({"gauge": "bore-1"}, "count"),
        ({}, "count, gauge"),
        ({"gauge": "bore-1", "count": 1, "colour": "red"}, "colour"),
        ({"count": 1, "colour": None}, "colour, gauge"),
    ],
)
def test_what_lacks_a_field_or_has_one_too_many_is_no_value(given: dict[str, object], wrong: str) -> None:
    """Each field that is missing or unknown is named, and only those."""
    with pytest.raises(TypeError, match=f"lacks or does not know {wrong}$"):
        made()(**given)  # type: ignore[arg-type]


def test_a_value_is_changed_by_another_beside_it() -> None:
    """The one that was there stays as it is, and nobody writes into either."""
    sheet = Sheet(gauge="bore-1", count=1, piece="7")
    other = changed(sheet, count=2, lot="L")
    assert (other.gauge, other.count, other.lot, other.piece) == ("bore-1", 2, "L", "7")
    assert (sheet.count, sheet.lot) == (1, None)
    assert filled(Sheet, {"gauge": "bore-1", "count": 1, "piece": "7"}) == sheet
    with pytest.raises(FrozenInstanceError):
        other.count = 3  # type: ignore[misc]


def test_a_word_is_found_as_the_text_it_is() -> None:
    """What a journal or a file says as text finds what is kept by the word, and the other way round."""

    class Colour(Word):
        RED = "red"

    by_word: dict[str, int] = {Colour.RED: 1}
    assert by_word["red"] == {"red": 1}[Colour.RED] == 1
