"""Text to cells: the separator found by the headings, quotes as RFC 4180 has them, each row with its line."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

from gaugepost.core.errors import ValueRefused
from gaugepost.edge.drawing_list.columns import KNOWN, key_of
from gaugepost.edge.stationfile.findings import either, toml

MOST_CHARACTERS = 1 << 19
MOST_ROWS = 500
"""No drawing has more; a longer list is taken in parts."""

SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Cells:
    """A list as it is written: headings, and rows with the line that each begins in, counted from 1."""

    separator: str
    headings: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]


def read_cells(text: str) -> Cells:
    """Return the cells of a list; rows without anything in them are left out.

    Raises:
        ValueRefused: it is empty or too long, holds what is no text, has an open quote, or no heading that is known.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    if len(text) > MOST_CHARACTERS:
        raise ValueRefused(
            f"the list has more than {MOST_CHARACTERS} characters", hint="take a part of it at a time"
        )
    if any("\ud800" <= each <= "\udfff" for each in text):
        raise ValueRefused("the list holds half a character", hint="save it as UTF-8")
    first = next((line for line in text.split("\n") if line.strip(" \t,;")), None)
    if first is None:
        raise ValueRefused("the list is empty", hint="paste it with its headings in the first line")
    separator = max(SEPARATORS, key=lambda each: _known(first, each))
    if _known(first, separator) == (0, 0):
        raise ValueRefused(
            f"no heading in the first line is known here: {toml(first)}",
            hint=f"write headings in it: {either(KNOWN)}",
        )
    headings, *rows = _records(text, separator)
    if len(rows) > MOST_ROWS:
        raise ValueRefused(
            f"the list has {len(rows)} rows, more than {MOST_ROWS}", hint="take a part of it at a time"
        )
    if not rows:
        raise ValueRefused("the list has headings and no rows", hint="paste the rows below them too")
    return Cells(separator, headings[1], tuple(rows))


def _records(text: str, separator: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield each row that holds anything, with its first line. Raises `ValueRefused` where that can't be."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise ValueRefused(
                f"line {line} can't be cut into cells: {error}",
                hint='close each quote that is opened, and write a quote inside quotes twice, as """"',
            ) from error
        if any(cell.strip() for cell in cells):
            yield line, tuple(cell.strip() for cell in cells)


def _known(line: str, separator: str) -> tuple[int, int]:
    """Return how many headings of a line are known when it is cut at `separator`, and whether any is."""
    headings = next(csv.reader([line], delimiter=separator), [])
    known = sum(key_of(each) is not None for each in headings)
    return known, int(known > 0)
