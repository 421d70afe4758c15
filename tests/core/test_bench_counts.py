"""How often each place was measured: exact over years, in little room."""

from __future__ import annotations

import tracemalloc
from collections import Counter

from hypothesis import given, strategies as st

from gaugepost.core.bench.state import MOST_OPEN, Counts

PIECES = st.sampled_from(
    [None, "", "7", "41", "1041", "Ä-1", "\ud83d\ude00"] + [str(n) for n in range(0, 900, 90)]
)
KEYS = st.one_of(
    st.tuples(
        st.sampled_from([None, "L-1", "L-2", "L-3"]),
        PIECES,
        st.sampled_from("AB"),
        st.sampled_from([None, "top"]),
    ),
    st.tuples(st.sampled_from([None, "L-1"]), PIECES, st.just("A"), st.none(), st.just("result")),
)


@given(st.lists(KEYS, max_size=120))
def test_counts_are_exact_whatever_comes_back(keys: list[tuple[str | None, ...]]) -> None:
    """A piece that is measured again after many others gets the attempt that it is."""
    counts, plain = Counts(), Counter[tuple[str | None, ...]]()
    for key in keys:
        counts, plain[key] = counts.one_more(key), plain[key] + 1
        assert counts.of(key) == plain[key]
    assert {key: counts.of(key) for key in plain} == dict(plain)
    assert len(counts.open) <= MOST_OPEN
    assert counts.of(("another", "1", "A", None)) == 0


def test_a_place_of_years_ago_takes_little_room() -> None:
    """Places in lots of forty pieces take less than forty bytes each, so that ten years fit in memory."""
    counts = Counts()
    tracemalloc.start()
    try:
        for number in range(16_000):
            counts = counts.one_more((f"L-{number // 160}", str(number // 4 % 40), "ABCD"[number % 4], None))
        size, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert size / 16_000 < 40


def key(lot: int, piece: str = "1", place: str | None = None) -> tuple[str | None, ...]:
    return (f"L-{lot}", piece, "A", place)


def test_lots_of_years_are_counted_on() -> None:
    """Three hundred lots, one after the other, and all of them once more: each place as often as it was measured."""
    counts = Counts()
    for times in (1, 2):
        for lot in range(300):
            for place in (None, "top"):
                counts = counts.one_more(key(lot, place=place))
            assert counts.of(key(lot)) == counts.of(key(lot, place="top")) == times
    assert {counts.of(key(lot, place=place)) for lot in range(300) for place in (None, "top")} == {2}
    assert counts.of(key(7, "2")) == counts.of(key(301)) == 0
    assert len(counts.packed) == 256


def test_those_of_late_stay_open() -> None:
    """Sixteen are, none of them packed before; the seventeenth takes the place of that which was longest not used."""
    counts = Counts()
    for lot in range(MOST_OPEN):
        counts = counts.one_more(key(lot))
    assert (len(counts.open), any(counts.packed)) == (MOST_OPEN, False)
    counts = counts.one_more(key(0)).one_more(key(99))
    assert len(counts.open) == MOST_OPEN
    assert [(f"L-{lot}", "") in counts.open for lot in (0, 1, 2, 99)] == [True, False, True, True]


def test_neighbours_are_kept_together() -> None:
    """Pieces whose names differ in their last two characters only, and those without a name, lot by lot."""
    counts = Counts()
    for piece in ("1041", "1099", "7", "", "1141"):
        counts = counts.one_more(("L-1", piece, "A", None)).one_more(("L-1", piece, "B", "top"))
    counts = counts.one_more(("L-1", None, "A", None)).one_more(("L-2", "1041", "A", None))
    assert [*counts.open] == [("L-1", "10"), ("L-1", ""), ("L-1", "11"), ("L-1", None), ("L-2", "10")]
