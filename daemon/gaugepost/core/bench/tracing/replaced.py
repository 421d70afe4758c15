"""Which records were voided, amended or judged again, and by which: a recall replaces ten thousand at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Self

_ON_A_PAGE = 1024


@dataclass(frozen=True, slots=True)
class Replaced:
    """By sequence, what replaced it. Split into pages, so that one more costs the copy of one of them."""

    pages: Mapping[int, Mapping[int, int]] = field(default_factory=dict)

    def get(self, sequence: int) -> int | None:
        """Return the sequence of what replaced a record; None where it stands."""
        return self.pages.get(sequence // _ON_A_PAGE, {}).get(sequence)

    def __contains__(self, sequence: int) -> bool:
        """Whether a record was replaced."""
        return self.get(sequence) is not None

    def standing(self, sequence: int) -> int:
        """Return the last record that replaced this one, and those that did; itself where it stands."""
        while (by := self.get(sequence)) is not None:
            sequence = by
        return sequence

    def of_range(self, first: int, last: int) -> Iterator[int]:
        """Yield what stands by now for records from `first` to `last` that were replaced."""
        for page in range(first // _ON_A_PAGE, last // _ON_A_PAGE + 1):
            for sequence in self.pages.get(page, ()):
                if first <= sequence <= last:
                    yield self.standing(sequence)

    def and_(self, sequence: int, by: int) -> Self:
        """Return the same with one more."""
        page = sequence // _ON_A_PAGE
        return type(self)({**self.pages, page: {**self.pages.get(page, {}), sequence: by}})
