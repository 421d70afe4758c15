"""What is left of a damaged journal: rows found by their form, wherever in the file they lie.

SQLite finds a row by way of the file's header, the schema and the pages above it, any of which may be what is damaged.
Here every page is searched for what a row looks like, so that damage costs the rows that it touches and no other. What
is found proves nothing by itself: the chain of hashes does.

    payload length (varint)  sequence (varint)  header  measured_at … piece  hash (32 bytes)  body
    header: its size, 0 (the sequence stands before it), five integers or NULL, piece, 76 (the hash), the body's type

(SQLite's file format, sections 1.6, 2.1 and 4.1. A body that is longer than a page goes on in overflow pages.)
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Self

PAGE_BYTES = 4096
"""What SQLite writes unless told otherwise, and we never tell it."""
_FRAME, _LOG_HEADER = 24 + PAGE_BYTES, 32
_MOST_LOCAL = PAGE_BYTES - 35
_LEAST_LOCAL = (PAGE_BYTES - 12) * 32 // 255 - 23

_ROW = re.compile(
    rb"(?=([\x0a-\x0f])\x00([\x00-\x06\x08\x09]{5})([\x00-\x7f]|[\x80-\xff][\x00-\x7f])\x4c"
    rb"([\x00-\x7f]|[\x80-\xff]{1,3}[\x00-\x7f]))",
    re.DOTALL,
)
_OWNER = re.compile(
    rb"[\x04\x05]\x55([\x00-\x7f]|[\x80-\xff][\x00-\x7f])[\x01\x08\x09]"
    rb"([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})",
    re.DOTALL,
)
_EARLIER = re.compile(rb"\x03\x00\x55([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})")
_INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)


class Found(NamedTuple):
    """A row that may be a record."""

    sequence: int
    surely: bool
    """Whether SQLite would see it; else it lies in what the log has left over, or behind damage in it."""
    hash: bytes
    body: bytes


@dataclass(frozen=True, slots=True)
class Owner:
    """An epoch and a station that the file names as its own; an epoch before its own comes without the station."""

    epoch: str
    station: str = ""


class Remains:
    """A damaged journal and the log beside it, open for reading only; what the disk can't read counts as zeros."""

    def __init__(self, path: Path) -> None:
        self.unreadable = 0
        """How many pages the disk could not read."""
        self._file = os.open(path, os.O_RDONLY)
        self._log = -1
        try:
            log = path.with_name(f"{path.name}-wal")
            if log.exists():
                self._log = os.open(log, os.O_RDONLY)
            self.pages = (os.fstat(self._file).st_size + PAGE_BYTES - 1) // PAGE_BYTES
            size = os.fstat(self._log).st_size if self._log >= 0 else 0
            self._frames = max(0, (size - _LOG_HEADER + _FRAME - 1) // _FRAME)
            self._sure = self._committed()
            self._newest: dict[int, int] = {}
            for at in range(self._frames):
                number = int.from_bytes(self._read(self._log, _LOG_HEADER + at * _FRAME, 4), "big")
                if at < self._sure or number not in self._newest:
                    self._newest[number] = at
        except BaseException:
            self.__exit__(None, None, None)
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for descriptor in (self._file, self._log):
            if descriptor >= 0:
                os.close(descriptor)

    def rows(self, progress: Callable[[int, int], None] | None = None) -> Iterator[Found | Owner]:
        """Yield whatever looks like a record, or like the journal's name; `progress` hears (pages, of pages)."""
        total = self.pages + self._frames
        for at in range(total):
            is_log = at >= self.pages
            surely = not is_log or at - self.pages < self._sure
            page = self._logged(at - self.pages) if is_log else self._page(at + 1)
            for match in _ROW.finditer(page):
                yield from self._row(page, match, surely)
            for match in _OWNER.finditer(page):
                size = (_varint(match[1]) - 13) // 2
                station = page[match.end() : match.end() + max(0, size)]
                if len(station) == size > 0:
                    yield Owner(match[2].decode(), station.decode("utf-8", "replace"))
            for match in _EARLIER.finditer(page):
                yield Owner(match[1].decode())
            if progress is not None and (at % 256 == 255 or at == total - 1):
                progress(at + 1, total)

    def _row(self, page: bytes, match: re.Match[bytes], surely: bool) -> Iterator[Found]:
        piece, body = _varint(match[3]), _varint(match[4])
        if body < 12 or body % 2 or (piece and (piece < 13 or not piece % 2)):
            return
        header = match[1][0]
        if header != 9 + len(match[3]) - 1 + len(match[4]) - 1 + 1:
            return
        start = at = match.start()
        while at > max(0, start - 9) and (at == start or page[at - 1] & 0x80):
            at -= 1
        sequence = _varint(page[at:start])
        before = header + sum(_INTEGER_BYTES[each] for each in match[2]) + max(0, piece - 13) // 2
        length = before + 32 + (body - 12) // 2
        for log_first in (True, False):
            payload = self._payload(page, start, length, log_first)
            if sequence > 0 and len(payload) == length:
                yield Found(sequence, surely, payload[before : before + 32], payload[before + 32 :])
            if length <= _MOST_LOCAL:
                return

    def _payload(self, page: bytes, start: int, length: int, log_first: bool) -> bytes:
        if length <= _MOST_LOCAL:
            return page[start : start + length]
        local = _LEAST_LOCAL + (length - _LEAST_LOCAL) % (PAGE_BYTES - 4)
        local = local if local <= _MOST_LOCAL else _LEAST_LOCAL
        parts, missing = [page[start : start + local]], length - local
        number = int.from_bytes(page[start + local : start + local + 4], "big")
        while missing > 0 and 0 < number <= self.pages + self._frames:
            more = self._page(number)
            if number in self._newest and (log_first or number > self.pages):
                more = self._logged(self._newest[number])
            parts.append(more[4 : 4 + missing])
            missing -= len(parts[-1])
            number = int.from_bytes(more[:4], "big")
            if len(parts[-1]) == 0:
                break
        return b"".join(parts)

    def _page(self, number: int) -> bytes:
        return self._read(self._file, (number - 1) * PAGE_BYTES, PAGE_BYTES)

    def _logged(self, at: int) -> bytes:
        return self._read(self._log, _LOG_HEADER + at * _FRAME + 24, PAGE_BYTES)

    def _read(self, descriptor: int, offset: int, size: int) -> bytes:
        try:
            return os.pread(descriptor, size, offset)
        except OSError:  # a bad sector: what it held is lost, the rest is not
            self.unreadable += 1
            return bytes(size)

    def _committed(self) -> int:
        """Return how many frames of the log are committed, as SQLite counts them (file format, section 4.1)."""
        header = self._read(self._log, 0, _LOG_HEADER) if self._frames else b""
        if len(header) < _LOG_HEADER or header[:3] != b"\x37\x7f\x06" or header[3] not in (0x82, 0x83):
            return 0
        order = "big" if header[3] & 1 else "little"
        sums, committed = _summed((0, 0), header[:24], order), 0
        if _sums_of(header[24:32]) != sums:
            return 0
        for at in range(self._frames):
            frame = self._read(self._log, _LOG_HEADER + at * _FRAME, _FRAME)
            if len(frame) < _FRAME or frame[8:16] != header[16:24]:
                break
            sums = _summed(_summed(sums, frame[:8], order), frame[24:], order)
            if _sums_of(frame[16:24]) != sums:
                break
            if any(frame[4:8]):
                committed = at + 1
        return committed


def _sums_of(data: bytes) -> tuple[int, int]:
    return int.from_bytes(data[:4], "big"), int.from_bytes(data[4:], "big")


def _summed(sums: tuple[int, int], data: bytes, order: str) -> tuple[int, int]:
    one, two = sums
    words = memoryview(data).cast("I") if order == "little" else _big(data)
    for at in range(0, len(words), 2):
        one = (one + words[at] + two) & 0xFFFFFFFF
        two = (two + words[at + 1] + one) & 0xFFFFFFFF
    return one, two


def _big(data: bytes) -> list[int]:
    return [int.from_bytes(data[at : at + 4], "big") for at in range(0, len(data), 4)]


def _varint(data: bytes) -> int:
    """Return a whole number of SQLite's: seven bits a byte, eight in a ninth."""
    value = 0
    for byte in data[:8]:
        value = value << 7 | byte & 0x7F
    return value << 8 | data[8] if len(data) > 8 else value
