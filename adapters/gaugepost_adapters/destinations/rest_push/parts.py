"""How one batch goes out in parts, so that one refused record holds up no other and each part has a lasting key.

Parts are cut at the same places whenever the batch is the same, and a part's key is made of the batch's key and the
part's sequences: whatever is repeated after a kill carries the key that it had before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gaugepost.contract import Outcome, Refusal
from gaugepost_adapters.destinations.rest_push.answers import Refused, Taken, TooLarge


@dataclass(frozen=True, slots=True)
class Part:
    """Records `start` to `stop` (exclusive, counted in the batch), sent as one request under `key`."""

    start: int
    stop: int
    key: str


class Sending:
    """A batch on its way: what is to be sent next, and what became of what was sent.

    A part is sent only when all before it is settled: what the far side takes, it takes in order. Of n records with k
    among them that it refuses, at most 1 + 2·k·⌈log2 n⌉ requests tell which, where one request may hold them all.
    """

    def __init__(
        self,
        key: str,
        records: Sequence[tuple[str, int, int]],
        *,
        most_records: int,
        most_bytes: int,
        frame_bytes: int,
    ) -> None:
        """Cut a batch of (id, sequence, encoded bytes) to parts of at most `most_records` and `most_bytes`.

        `frame_bytes` is what a request holds around its records. One that is too large by itself goes alone.
        """
        self.key = key
        self._records = records
        self._refused: list[Refusal] = []
        self._waiting = [
            self._part(start, stop) for start, stop in _cuts(records, most_records, most_bytes, frame_bytes)
        ]
        self._waiting.reverse()

    def is_of(self, key: str, ids: Sequence[str]) -> bool:
        """Whether this is the batch of `key` and `ids`."""
        return key == self.key and ids == [name for name, _, _ in self._records]

    def part(self) -> Part | None:
        """Return what is to be sent next; None where everything is settled."""
        return self._waiting[-1] if self._waiting else None

    def settle(self, judgement: Taken | Refused | TooLarge) -> None:
        """Take what was answered to `part()`; two halves take the place of one that was not taken whole."""
        part = self._waiting.pop()
        if isinstance(judgement, Taken):
            return
        if part.stop - part.start == 1:
            self._refused.append(Refusal(self._records[part.start][0], judgement.answer))
            return
        middle = (part.start + part.stop) // 2
        self._waiting += [self._part(middle, part.stop), self._part(part.start, middle)]

    def outcome(self) -> Outcome:
        """Return how the batch went, once everything is settled."""
        return Outcome(self._records[-1][1], tuple(self._refused))

    def _part(self, start: int, stop: int) -> Part:
        if stop - start == len(self._records):
            return Part(start, stop, self.key)
        return Part(start, stop, f"{self.key}:{self._records[start][1]}-{self._records[stop - 1][1]}")


def _cuts(
    records: Sequence[tuple[str, int, int]], most_records: int, most_bytes: int, frame_bytes: int
) -> list[tuple[int, int]]:
    cuts, start, size = [], 0, frame_bytes
    for at, (_, _, own_bytes) in enumerate(records):
        added = own_bytes + (1 if at > start else 0)  # the comma before it
        if at > start and (at - start == most_records or size + added > most_bytes):
            cuts.append((start, at))
            start, size, added = at, frame_bytes, own_bytes
        size += added
    return [*cuts, (start, len(records))]
