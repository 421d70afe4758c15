"""Rows and file names: how a published record looks in a CSV file, and which file it belongs in. No I/O.

A row is always one line: a line end inside a cell is written as `\\n`, so that a line without an end is a row cut off.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote
from zoneinfo import ZoneInfo

from gaugepost.contract import Publication
from gaugepost.contract.text import cell, is_number

NUMBERS = frozenset({
    "barrel_mm", "barrel_uncertainty_mm", "bell_mouth_mm", "bell_mouth_uncertainty_mm", "coverage_factor",
    "deviation", "error_mm", "gauge_temperature_c", "indication", "limit_mm", "lower", "lower_acceptance",
    "master_correction_mm", "master_indications_mm", "master_spans_mm", "master_temperature_c",
    "ovality_mm", "ovality_uncertainty_mm", "part_temperature_c", "probability", "rule_parameter",
    "spread_mm", "standard_uncertainty_mm", "taper_mm", "taper_uncertainty_mm", "temperature_c",
    "thermal_correction_mm", "uncertainty_mm", "upper", "upper_acceptance", "value", "value_mm",
})  # fmt: skip
"""Columns of exact numbers: what `decimal_sign` applies to. The digits of an indication are one of them: left with a
point where the spreadsheet reads a comma, 40.001 would be taken for forty thousand and one."""

LONGEST_NAME = 100
"""Longest file name made from a lot or characteristic, in characters, without its ending."""

_BREAKS = re.compile("[\x00-\x08\x0a-\x1f\x7f\x85\u2028\u2029]")
_WRITTEN = {"\n": r"\n", "\r": r"\r"}


@dataclass(frozen=True, slots=True)
class Form:
    """How the files of one destination are written (RFC 4180, and what spreadsheets of other countries expect)."""

    columns: tuple[str, ...]
    delimiter: str
    decimal_sign: str
    byte_order_mark: bool
    line_end: str

    @property
    def header(self) -> bytes:
        """The first line of every file, with the byte order mark where one is wanted."""
        text = ("\ufeff" if self.byte_order_mark else "") + self.delimiter.join(self.columns) + self.line_end
        return text.encode()

    def row(self, record: Publication) -> bytes:
        """Return `record` as one line, its line end included."""
        cells = [cell(record.get(name)) for name in self.columns]
        if self.decimal_sign != ".":
            cells = [self._signed(name, text) for name, text in zip(self.columns, cells, strict=True)]
        text = "".join(cells)
        if not text.isprintable():
            cells = [_BREAKS.sub(_as_written, text) for text in cells]
        elif self.delimiter not in text and '"' not in text and len(cells) > 1:
            # Nothing needs quotes: making a csv.writer for each row takes longer than all the rest.
            return (self.delimiter.join(cells) + self.line_end).encode()
        out = io.StringIO()
        csv.writer(out, delimiter=self.delimiter, lineterminator=self.line_end).writerow(cells)
        return out.getvalue().encode("utf-8", "backslashreplace")

    def _signed(self, name: str, text: str) -> str:
        if name in NUMBERS and all(map(is_number, text.split("; "))):
            return text.replace(".", self.decimal_sign)
        return text


def _as_written(found: re.Match[str]) -> str:
    character = found.group()
    return _WRITTEN.get(character) or f"\\u{ord(character):04x}"


def file_name(text: str, otherwise: str) -> str:
    """Return a file name, without its ending, for a lot's or characteristic's name; `otherwise` where it has none.

    ASCII letters, digits and "_ + - ." stay, the rest is percent-encoded (RFC 3986), and a dot or space at an edge too,
    so that no name leaves its directory or hides. Letters are made small: on a share that ignores case, "A1" and "a1"
    are one file, so they are one everywhere. A long name is cut, and a digest of the whole keeps it apart.
    """
    if not text:
        return otherwise
    name = quote(text.casefold(), safe=" +", errors="backslashreplace").replace("~", "%7E").lower()
    edges = re.compile(r"^[. ]|[. ]$")
    name = edges.sub(lambda found: f"%{ord(found.group()):02x}", name)
    if name == otherwise:
        name = name.replace("-", "%2d")
    if len(name) > LONGEST_NAME:
        # The letter before the digest keeps it apart from the number of a second file.
        name = f"{name[:80]}~h{hashlib.sha256(text.casefold().encode('utf-8', 'backslashreplace')).hexdigest()[:12]}"
    return name


def namer(file_by: str, zone: ZoneInfo) -> Callable[[Publication], str]:
    """Return what names the file of a record, without its ending, by "day" (in `zone`), "lot" or "characteristic"."""
    if file_by == "day":
        return lambda record: (
            datetime.fromisoformat(str(record["measured_at"])).astimezone(zone).date().isoformat()
        )
    return lambda record: file_name(str(record.get(file_by) or ""), f"no-{file_by}")


def columns_of(line: bytes) -> tuple[tuple[str, ...], str] | None:
    """Return the columns that a file's first line names and its delimiter, or None where it is no header of ours.

    Quotes and a byte order mark may have come or gone: spreadsheets add and drop them on saving.
    """
    text = line.decode("utf-8", "replace").removeprefix("\ufeff").rstrip("\r\n")
    for delimiter in ",;\t":
        names = tuple(name.strip('"') for name in text.split(delimiter))
        if ("id" in names and len(names) > 1) or names == ("id",):
            return names, delimiter
    return None


def id_pattern(columns: Sequence[str], delimiter: str, epoch: str) -> re.Pattern[bytes]:
    """Return what finds the sequence in a row's id, for rows of `epoch`. Linear in the row's length."""
    mark = re.escape(delimiter).encode()
    before = columns.index("id")
    cells = rb'(?:(?:"(?:[^"]|"")*+"|[^"' + mark + rb"]*+)" + mark + rb"){%d}" % before
    return re.compile(
        cells + rb'"?' + re.escape(epoch).encode() + rb'-([0-9]{1,19})"?(?=' + mark + rb"|[\r\n]|$)"
    )


def whole(line: bytes, count: int, delimiter: str) -> bool:
    """Tell whether `line` has `count` cells and ends outside of quotes."""
    mark = re.escape(delimiter).encode()
    one = rb'(?:"(?:[^"]|"")*+"|[^"' + mark + rb"]*+)"
    return re.fullmatch(one + rb"(?:" + mark + one + rb"){%d}" % (count - 1) + rb"\r?", line) is not None
