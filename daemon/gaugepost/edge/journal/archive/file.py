"""An archive's file: an .xz file of CBOR data items (RFC 8949), for whoever reads it without this program.

Before each item stands its size, 4 bytes big endian.

    {"archive": 1, "station": …, "epoch": …, "earlier": [[last, epoch], …], "first": …, "before": hash, "state": bytes}
    [[sequence, body], …]     blocks of up to 1000; [sequence, body, hash] where records are missing before it
    {"count": …, "last": …, "head": hash, "earliest": ms, "latest": ms}

Where its end is signed, "archive" is 2, and the last item has besides

    "checkpoint": {"first": …, "time": ms, "key": public key, "signature": …}   of what `core.evidence.checkpoint` draws

    hash = SHA-256(previous hash, sequence as 8 bytes big endian, body), as in the journal; the first follows `before`

`state` is the bench before the first record (`edge.kept.state`), absent where that is an empty one.
"""

from __future__ import annotations

import hashlib
import lzma
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple, Unpack, cast

import cbor2

from gaugepost.core.errors import JournalError
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed, sound
from gaugepost.core.publication import Epoch
from gaugepost.core.record import Entry
from gaugepost.edge.journal.codec import anchor, chained, decode
from gaugepost.edge.journal.reader import Wanted
from gaugepost.edge.journal.verify import Report, account, begin, step
from gaugepost.edge.journal.watching import Progress

SUFFIX = ".archive.xz"
FORMAT = 1
SIGNED_FORMAT = 2
BLOCK = 1000
_MAGIC = b"\xfd7zXZ\x00"
"""How an .xz file begins (its format's description, 2.1.1.1)."""
_FAULTS = (OSError, EOFError, lzma.LZMAError, cbor2.CBORDecodeError, ValueError, TypeError, LookupError)


class Row(NamedTuple):
    """A record as it lies in the journal."""

    sequence: int
    hash: bytes
    body: bytes


def is_archive(path: Path) -> bool:
    """Return whether the file at `path` begins as an archive does."""
    try:
        with path.open("rb") as file:
            return file.read(len(_MAGIC)) == _MAGIC
    except OSError:
        return False


class Writer:
    """An archive that is being made. The file counts for nothing before `end` has returned."""

    def __init__(self, path: Path, head: dict[str, Any], *, is_signed: bool = False) -> None:
        self._file = lzma.open(path, "wb", preset=6, check=lzma.CHECK_SHA256)  # noqa: SIM115
        self._block: list[list[object]] = []
        self._before: bytes = head["before"]
        self._expected: int = head["first"]
        self.count = 0
        self._write({"archive": SIGNED_FORMAT if is_signed else FORMAT, **head})

    def add(self, row: Row) -> None:
        """Add the next record."""
        plain = row.sequence == self._expected and row.hash == chained(self._before, row.sequence, row.body)
        self._block.append([row.sequence, row.body] if plain else [row.sequence, row.body, row.hash])
        self._before, self._expected, self.count = row.hash, row.sequence + 1, self.count + 1
        if len(self._block) == BLOCK:
            self._flush()

    def end(self, earliest_ms: int, latest_ms: int, signed: Signed | None = None) -> None:
        """Write what proves that nothing is missing at the end, and close."""
        self._flush()
        last: dict[str, Any] = {"count": self.count, "last": self._expected - 1, "head": self._before}
        if signed is not None:
            last["checkpoint"] = {
                "first": signed.checkpoint.first,
                "time": signed.checkpoint.utc_ms,
                "key": signed.key,
                "signature": signed.signature,
            }
        self._write(last | {"earliest": earliest_ms, "latest": latest_ms})
        self._file.close()

    def close(self) -> None:
        """Close what was not ended; harmless when closed."""
        self._file.close()

    def _flush(self) -> None:
        if self._block:
            self._write(self._block)
            self._block = []

    def _write(self, item: object) -> None:
        data = cbor2.dumps(item)
        self._file.write(len(data).to_bytes(4, "big") + data)


class Archive:
    """An archive, open for reading; it is read from its beginning to its end for every question."""

    def __init__(self, path: Path) -> None:
        """Open the archive at `path`.

        Raises:
            JournalError: there is none, it is damaged at its beginning, or a newer program wrote it.
        """
        self.path = path
        self._read = 0
        """How many bytes of the file were read."""
        head = next(self._items(), None)
        if not isinstance(head, dict) or "archive" not in head:
            raise JournalError(
                f"{path} is no archive of gaugepost", hint="name a file that ends in .archive.xz"
            )
        if head["archive"] not in (FORMAT, SIGNED_FORMAT):
            raise JournalError(
                f"{path} was written by a newer version of gaugepost (archive format {head['archive']})",
                hint="install that version or a later one",
            )
        try:
            self.station: str = head["station"]
            self.epoch = Epoch(head["epoch"], [(last, epoch) for last, epoch in head["earlier"]])
            self.base: tuple[int, bytes] = (head["first"] - 1, head["before"])
            self._state: bytes | None = head.get("state")
        except _FAULTS as cause:
            raise self._damaged(cause) from cause

    def close(self) -> None:
        """Nothing is held open between questions."""

    def kept_state(self) -> bytes | None:
        """Return the bench as the records before these left it; None where there were none."""
        return self._state

    def rows(self) -> Iterator[Row | dict[str, Any]]:
        """Yield every record, and at last what is said of the end. Raises `JournalError` where it is damaged."""
        items, before = self._items(), self.base[1]
        next(items)
        for item in items:
            if isinstance(item, dict):
                yield item
                continue
            try:
                rows = [
                    (int(sequence), bytes(body), given) for sequence, body, *given in cast("list[Any]", item)
                ]
            except _FAULTS as cause:
                raise self._damaged(cause) from cause
            for sequence, body, given in rows:
                before = bytes(given[0]) if given else chained(before, sequence, body)
                yield Row(sequence, before, body)

    def head(self) -> tuple[int, bytes]:
        """Return sequence and hash of the last record."""
        for row in self.rows():
            if isinstance(row, dict):
                return row["last"], row["head"]
        raise self._damaged(EOFError("its end is missing"))

    def signed_end(self) -> Signed | None:
        """Return the checkpoint at its end, where it was given one; what it signs is what the end says of itself."""
        for row in self.rows():
            if isinstance(row, dict) and (said := row.get("checkpoint")) is not None:
                try:
                    last, key, signature = int(row["last"]), bytes(said["key"]), bytes(said["signature"])
                    first, utc_ms, head = int(said["first"]), int(said["time"]), bytes(row["head"])
                except _FAULTS as cause:
                    raise self._damaged(cause) from cause
                made = Checkpoint(self.station, self.epoch.of(last), first, last, head, utc_ms)
                if sound(signed := Signed(made, key, signature)):
                    return signed
                raise self._damaged(ValueError("what signs its end can't be read"))
        return None

    def replay(self, after: int = 0, **wanted: Unpack[Wanted]) -> Iterator[Entry]:
        """Yield the records above `after` that are wanted, ascending."""
        kinds = None if (named := wanted.get("kinds")) is None else set(map(str, named))
        exactly = {name: wanted.get(name) for name in ("gauge", "characteristic", "lot", "piece")}
        since, until = wanted.get("since_ms"), wanted.get("until_ms")
        for row in self.rows():
            if isinstance(row, dict) or row.sequence <= after:
                continue
            record = decode(row.body)
            if (
                (kinds is None or record.kind in kinds)
                and all(value is None or getattr(record, name) == value for name, value in exactly.items())
                and (since is None or record.measured_at >= since)
                and (until is None or record.measured_at < until)
            ):
                yield Entry(row.sequence, row.hash, record)

    def latest(self, n: int, **wanted: Unpack[Wanted]) -> list[Entry]:
        """Return the last `n` records that are wanted, ascending."""
        return list(deque(self.replay(**wanted), maxlen=n))

    def examine(self, head: tuple[int, bytes] | None = None, progress: Progress | None = None) -> Report:
        """Walk along the archive's chain, as `verify.examine` does along a journal's."""
        report = begin(self.epoch, self.station, self.base)
        found, end, size = head in (None, self.base), None, self.path.stat().st_size
        if self.base[0] == 0 and self.base[1] != anchor(self.epoch.of(1), self.station):
            report.fault("it doesn't begin where the journal of its epoch and station begins")
        try:
            for row in self.rows():
                if isinstance(row, dict):
                    end = row
                    continue
                step(report, *row)
                found = found or head == (report.sequence, report.head)
                if progress is not None and report.count % BLOCK == 0:
                    progress("verified", min(self._read, size - 1), size)
        except JournalError as damage:
            report.fault(f"after record {report.sequence}: {damage.finding}")
        else:
            told = {"count": report.count, "last": report.sequence, "head": report.head}
            told |= {"earliest": report.earliest_ms, "latest": report.latest_ms}
            if end is None or {key: said for key, said in end.items() if key != "checkpoint"} != told:
                report.fault("its end is not what it says of it")
        account(report)
        if not found and head is not None:
            report.fault(f"record {head[0]} with hash {head[1].hex()} is not in it")
        if progress is not None:
            progress("verified", size, size)
        return report

    def _items(self) -> Iterator[Any]:
        try:
            with self.path.open("rb") as raw, lzma.open(raw) as file:
                while size := file.read(4):
                    data = file.read(int.from_bytes(size, "big"))
                    self._read = raw.tell()
                    yield cbor2.loads(data)
        except FileNotFoundError as cause:
            raise JournalError(f"there is no archive at {self.path}", hint="name the file") from cause
        except _FAULTS as cause:
            raise self._damaged(cause) from cause

    def _damaged(self, cause: Exception) -> JournalError:
        return JournalError(
            f"{self.path.name} is damaged: {cause}",
            hint="take another copy of the archive; `gaugepost verify` says up to where this one is whole",
        )


def sha256_of(path: Path) -> bytes:
    """Return the SHA-256 of a file. Raises `OSError` where it can't be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()
