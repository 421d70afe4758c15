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
