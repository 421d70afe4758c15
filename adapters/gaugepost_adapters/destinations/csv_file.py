"""CSV files for spreadsheets and control charts: one row a record, under the published names.

Every row carries the record's `id`: it is how a row that is already there is told from a new one, after a kill, a full
disk or a lost cursor. How files are kept is said in `csv_append`, how rows look in `csv_rows`.
"""

from __future__ import annotations

import asyncio
import errno
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import ClassVar, Literal, TypeVar

from pydantic import model_validator

from gaugepost.contract import (
    COLUMNS,
    AdapterSettings,
    Outcome,
    Publication,
    StationFacts,
    Unreachable,
    sequence_of,
)
from gaugepost_adapters.destinations.csv_append import Appender, Row, ensure_directory
from gaugepost_adapters.destinations.csv_rows import Form, namer

T = TypeVar("T")


class CsvSettings(AdapterSettings):
    """Settings of a destination of CSV files."""

    path: str = "csv"
    """Directory, or file where it ends in ".csv", from the station's data directory on. Where there is a file for each
    day, lot or characteristic, its name says where theirs goes, as "bores-{day}.csv"."""
    file_by: Literal["one", "day", "lot", "characteristic"] = "one"
    """What there is a file for: everything, or each day (in the station's time zone), lot or characteristic."""
    columns: tuple[str, ...] = COLUMNS
    """Names of the columns, in their order. "id" must be one of them: without it no row could be told from a repeat."""
    delimiter: Literal[",", ";", "\t"] = ","
    """What stands between cells."""
    decimal_sign: Literal[".", ","] = "."
    """What stands before the decimals, in columns of numbers."""
    byte_order_mark: bool = False
    """Whether a file begins with a byte order mark, which some spreadsheets need to read UTF-8."""
    line_end: Literal["\r\n", "\n"] = "\r\n"
    """What ends a row (RFC 4180: "\\r\\n")."""

    @model_validator(mode="after")
    def _fits(self) -> CsvSettings:
        unknown = [name for name in self.columns if name not in COLUMNS]
        if unknown:
            raise ValueError(
                f"there is no column {unknown[0]!r}; write names of the vocabulary: {', '.join(COLUMNS)}"
            )
        if len(set(self.columns)) != len(self.columns):
            twice = next(name for name in self.columns if self.columns.count(name) > 1)
            raise ValueError(f"the column {twice!r} is there twice; write it once")
        if "id" not in self.columns:
            raise ValueError('the column "id" is missing, by which a repeat is told from a new row; add "id"')
        if self.decimal_sign == self.delimiter:
            raise ValueError(
                'a comma can\'t stand both between cells and before decimals; write delimiter = ";"'
            )
        self._check_path()
        return self

    def _check_path(self) -> None:
        directory, _, name = self.path.rpartition("/")
        place = "{" + self.file_by + "}"
        if not self.path or "\0" in self.path or name in (".csv", ".."):
            raise ValueError(f'{self.path!r} is no directory or file; write a name, as "csv" or "bores.csv"')
        if "{" in directory or (not self.is_file and "{" in name):
            raise ValueError(
                f'{self.path!r} has a placeholder outside of a file\'s name; write as "csv/bores-{{day}}.csv"'
            )
        if self.is_file and self.file_by != "one" and (name.count(place) != 1 or name.count("{") != 1):
            raise ValueError(
                f'{self.path!r} does not say where the name goes; write it once, as "bores-{place}.csv"'
            )
        if self.is_file and self.file_by == "one" and "{" in name:
            raise ValueError(
                f'{self.path!r} has a placeholder, and file_by is "one"; write what there is a file for'
            )

    @property
    def is_file(self) -> bool:
        """Whether `path` names a file, not a directory."""
        return self.path.endswith(".csv")


class CsvFile:
    """Destination of CSV files. Every file is worked on in one thread of its own."""

    Settings: ClassVar[type[AdapterSettings]] = CsvSettings

    def __init__(self, settings: AdapterSettings, station: StationFacts) -> None:
        if not isinstance(settings, CsvSettings):
            raise TypeError(f"settings of csv_file are CsvSettings, not {type(settings).__name__}")
        self._data = station.data
        path = Path(os.path.normpath(station.data / settings.path))
        self._directory = path.parent if settings.is_file else path
        self._path_of = _placing(settings, path, station)
        self._form = Form(
            settings.columns,
            settings.delimiter,
            settings.decimal_sign,
            settings.byte_order_mark,
            settings.line_end,
        )
        self._appender = Appender(self._form)
        self._thread: ThreadPoolExecutor | None = None

    async def open(self) -> None:
        """Have the directory ready. Raises `Unreachable` where it is neither there nor can be made."""
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, thread_name_prefix="csv_file")
        await self._in_thread(self._prepare)

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        """Append `batch`; done through the last record before the first one that is not on disk.

        Raises:
            Unreachable: not even the first record is on disk: locked, read-only, full, or gone.
        """
        return await self._in_thread(self._append, batch)

    async def close(self) -> None:
        """Wait for the thread and let it go; no file is held open between deliveries."""
        if self._thread is not None:
            thread, self._thread = self._thread, None
            try:
                await asyncio.wrap_future(thread.submit(int))  # what a cancelled call left running ends first
            finally:
                thread.shutdown(wait=False)

    async def _in_thread(self, call: Callable[..., T], *args: object) -> T:
        if self._thread is None:
            raise RuntimeError("csv_file is not open")
        return await asyncio.wrap_future(self._thread.submit(call, *args))

    def _prepare(self) -> None:
        try:
            ensure_directory(self._directory, self._data)
        except OSError as cause:
            raise _unreachable(self._directory, cause) from cause

    def _append(self, batch: Sequence[Publication]) -> Outcome:
        epoch = str(batch[0]["id"]).rpartition("-")[0]
        files: dict[Path, list[Row]] = {}
        for record in batch:
            files.setdefault(self._path_of(record), []).append((sequence_of(record), self._form.row(record)))
        through = sequence_of(batch[-1])
        while files:
            path = next(iter(files))
            try:
                ensure_directory(self._directory, self._data)
                self._appender.append(path, epoch, files[path])
            except OSError as cause:
                first_missing = min(rows[0][0] for rows in files.values())
                held = [s for s in map(sequence_of, batch) if s < first_missing]
                if not held:
                    raise _unreachable(path, cause) from cause
                return Outcome(held[-1])
            del files[path]
        return Outcome(through)


def _placing(settings: CsvSettings, path: Path, station: StationFacts) -> Callable[[Publication], Path]:
    if settings.file_by == "one":
        whole = path if settings.is_file else path / "records.csv"
        return lambda record: whole
    name_of = namer(settings.file_by, station.zone)
    if not settings.is_file:
        return lambda record: path / f"{name_of(record)}.csv"
    before, after = path.name.split("{" + settings.file_by + "}")
    return lambda record: path.with_name(f"{before}{name_of(record)}{after}")


_HINTS = {
    errno.ENOSPC: "free space on that disk",
    errno.EDQUOT: "free space, or raise the quota of the service's user",
    errno.EACCES: "close the program that holds it, or give the service's user the right to write there",
    errno.EPERM: "give the service's user the right to write there",
    errno.EROFS: "mount that file system for writing",
    errno.EAGAIN: "close the program that holds it open",
    errno.EBUSY: "close the program that saves it",
}


def _unreachable(path: Path, cause: OSError) -> Unreachable:
    hint = _HINTS.get(cause.errno or 0, "check the disk or the share")
    return Unreachable(
        f"{path}: {cause.strerror or cause}", hint=f"{hint}; nothing is lost, rows are written later"
    )
