"""A checkpoint: the text that a station's key signs, so that whoever has the public key alone can hold records to it.

Lines of UTF-8, each ended by one line feed, in this order:

    gaugepost checkpoint 1
    station "brass-bench-1"                                       the name as JSON text
    epoch 7b0e4a34-5d0f-4e43-9c5e-8f6f7f5e5b1c                    of the record `last`
    records 1001 to 2000                                          first that no checkpoint before covered, and last
    hash 9c0f…                                                    of the record `last`: SHA-256, 64 hexadecimal digits
    time 2026-11-26T06:00:00.000Z                                 UTC, to the millisecond
    next key 3d40…                                                only where checkpoints to come have another key

The chain's hash rests on every record before, so the signature does too.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from gaugepost.core.publication import rfc3339
from gaugepost.core.record import Record

KEY_BYTES = 32
SIGNATURE_BYTES = 64
HASH_BYTES = 32
END_OF_9999_MS = 253_402_300_800_000


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """What is signed."""

    station: str
    epoch: str
    first: int
    last: int
    hash: bytes
    """Of the record `last`."""
    utc_ms: int
    next_key: bytes | None = None
    """Public key of the checkpoints to come, where that is another one."""

    def text(self) -> bytes:
        """Return the bytes that are signed."""
        lines = [
            "gaugepost checkpoint 1",
            f"station {json.dumps(self.station, ensure_ascii=False)}",
            f"epoch {self.epoch}",
            f"records {self.first} to {self.last}",
            f"hash {self.hash.hex()}",
            f"time {rfc3339(self.utc_ms)}",
        ]
        if self.next_key is not None:
            lines.append(f"next key {self.next_key.hex()}")
        return "".join(f"{line}\n" for line in lines).encode()


@dataclass(frozen=True, slots=True)
class Signed:
    """A checkpoint with its signature, and the public key that it is held against."""

    checkpoint: Checkpoint
    key: bytes
    signature: bytes


def sound(signed: Signed) -> bool:
    """Return whether it can be a checkpoint at all: sizes, numbers and a time that there is."""
    made, following = signed.checkpoint, signed.checkpoint.next_key or bytes(KEY_BYTES)
    parts = (made.hash, signed.key, signed.signature, following)
    numbers = (made.first, made.last, made.utc_ms)
    return (
        all(isinstance(each, bytes) for each in parts)
        and [len(each) for each in parts] == [HASH_BYTES, KEY_BYTES, SIGNATURE_BYTES, KEY_BYTES]
        and all(isinstance(each, int) for each in numbers)
        and 0 <= made.utc_ms < END_OF_9999_MS
    )


def signed_by(record: Record, station: str, epoch: str) -> Signed | None:
    """Return what a checkpoint's record says, `epoch` being that of the record `last`; None: it can't be one."""
    first, last, digest = record.first, record.last, record.last_hash
    key, signature = record.public_key, record.signature
    if first is None or last is None or digest is None or key is None or signature is None:
        return None
    made = Checkpoint(station, epoch, first, last, digest, record.measured_at, record.next_public_key)
    signed = Signed(made, key, signature)
    return signed if sound(signed) else None
