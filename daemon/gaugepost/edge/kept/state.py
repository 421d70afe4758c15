"""A state of the bench as lines of JSON: for the snapshot, which is disposable, and for archives, which are kept.

    the state without its counts
    [[lot, beginning of the pieces' names, [[lot, piece, characteristic, position, count], …]], …]   counts of late
    [[lot, beginning of the pieces' names, packed counts in Base64], …]                  256 such lines

Fields that a state has got since are read with their defaults, so that what was written years ago is still read.
"""

from __future__ import annotations

import base64
import json
import lzma
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Protocol

from gaugepost.core.bench import State
from gaugepost.core.bench.state import Counts
from gaugepost.core.errors import JournalError
from gaugepost.core.setup import from_plain, to_plain

FOREIGN = (ValueError, TypeError, LookupError, ArithmeticError, AttributeError, RecursionError)
"""What reading can raise where lines were not written here."""


def lines_of(state: State) -> Iterator[Any]:
    """Yield the state as values that JSON can hold, one small one after the other."""
    counts = state.counts
    yield to_plain(replace(state, counts=Counts(packed=())))
    yield [[*near, [[*key, count] for key, count in known.items()]] for near, known in counts.open.items()]
    for shard in counts.packed:
        yield [[*near, base64.b64encode(kept).decode()] for near, kept in shard.items()]


def state_of(plain: bytes, counts: Sequence[bytes]) -> State:
    """Return the state that `lines_of` laid out. Raises one of `FOREIGN` where it didn't."""
    state: State = from_plain(State, json.loads(plain))
    late, *shards = map(json.loads, counts)
    opened = {(lot, pieces): {tuple(key): int(count) for *key, count in known} for lot, pieces, known in late}
    packed = tuple(
        {(lot, pieces): base64.b64decode(kept, validate=True) for lot, pieces, kept in shard}
        for shard in shards
    )
    if len(packed) != len(Counts().packed):
        raise ValueError("counts are missing")
    return replace(state, counts=Counts(opened, packed))


def packed(state: State) -> bytes:
    """Return the state in few bytes, the same for the same state."""
    return lzma.compress(
        b"\n".join(json.dumps(line, separators=(",", ":")).encode() for line in lines_of(state)), preset=6
    )


def unpacked(kept: bytes) -> State:
    """Return the state that `packed` made `kept` of.

    Raises:
        JournalError: it was not.
    """
    try:
        plain, *counts = lzma.decompress(kept).split(b"\n")
        return state_of(plain, counts)
    except (lzma.LZMAError, *FOREIGN) as cause:
        raise JournalError(
            "the bench's state at the end of the archive can't be read",
            hint="a newer version of gaugepost may have written it; else restore a backup that verifies",
        ) from cause


class Kept(Protocol):
    """A journal or an archive."""

    def kept_state(self) -> bytes | None:
        """Return the bench before its first record, as `packed` laid it out; None where that is an empty one."""
        ...


def archived_state(reader: Kept) -> State:
    """Return the state that records of a journal or an archive follow: an empty one, or what was archived before left.

    Raises:
        JournalError: it is not what the journal's `archive` record says, or can't be read.
    """
    kept = reader.kept_state()
    return State() if kept is None else unpacked(kept)
