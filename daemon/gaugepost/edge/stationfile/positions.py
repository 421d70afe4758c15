"""Where each key of a TOML document stands: a finding without its line sends people hunting.

The standard library's parser gives values without positions. This scanner gives positions without values; it trusts
that the parser has already taken the text, and follows the same paths.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Callable

Path = tuple[str | int, ...]
"""Keys from the top of the document down; an int is the place in an array, from 0."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY = re.compile(r'[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')
_GAP = re.compile(r"[ \t]*")
_DOT = re.compile(r"[ \t]*\.[ \t]*")
_EQUALS = re.compile(r"[ \t]*=[ \t]*")
# Up to two quotes may stand directly before the three that close.
_LONG = re.compile(r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})|\'\'\'.*?\'\'\'(?:\'{0,2})', re.DOTALL)
_SHORT = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')
_BARE = re.compile(r"[^,\]}#\n]*")


def locate(text: str) -> dict[Path, int]:
    """Return the line, counted from 1, of every key path in `text`, which must be a TOML document.

    A table's line is its header's; where it has none, that of the first key that mentions it. A value in an array
    has the line it begins on.
    """
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self.lines: dict[Path, int] = {}
        self.counts: dict[Path, int] = {}  # how many tables an array of tables has so far

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        self._skip()
        while self.at < len(self.text):
            if self.text.startswith("[[", self.at):
                table = self._header(2)
            elif self.text[self.at] == "[":
                table = self._header(1)
            else:
                self._pair(table)
            self._skip()
        return self.lines

    def _skip(self) -> None:
        self._take(_BLANK)

    def _take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.at)
        if found is None:
            raise ValueError(f"not a TOML document at offset {self.at}")
        self.at = found.end()
        return found.group()

    def _line(self) -> int:
        return bisect_right(self.starts, self.at)

    def _key(self) -> list[str]:
        parts = [_unquoted(self._take(_KEY))]
        while found := _DOT.match(self.text, self.at):
            self.at = found.end()
            parts.append(_unquoted(self._take(_KEY)))
        return parts

    def _header(self, brackets: int) -> Path:
        line = self._line()
        self.at += brackets
        self._take(_GAP)
        *parents, last = self._key()
        self._take(_GAP)
        self.at += brackets
        path: Path = ()
        for part in parents:
            path = self._inside((*path, part), line)
        path = (*path, last)
        if brackets == 1:
            self.lines[path] = line
            return path
        self.lines.setdefault(path, line)
        count = self.counts.get(path, 0)
        self.counts[path] = count + 1
        path = (*path, count)
        self.lines[path] = line
        return path

    def _inside(self, path: Path, line: int) -> Path:
        """Note that `path` was mentioned, and step into the last table where it is an array of them."""
        self.lines.setdefault(path, line)
        return (*path, self.counts[path] - 1) if path in self.counts else path

    def _pair(self, table: Path) -> None:
        line = self._line()
        path = table
        for part in self._key():
            path = (*path, part)
            self.lines.setdefault(path, line)
        self._take(_EQUALS)
        self._value(path)

    def _value(self, path: Path) -> None:
        if self.text.startswith(('"""', "'''"), self.at):
            self._take(_LONG)
            return
        kind = self.text[self.at : self.at + 1]
        if kind in ('"', "'"):
            self._take(_SHORT)
        elif kind == "[":
            self._group("]", self._element(path))
        elif kind == "{":
            self._group("}", lambda: self._pair(path))
        else:
            self._take(_BARE)

    def _element(self, path: Path) -> Callable[[], None]:
        count = 0

        def element() -> None:
            nonlocal count
            self.lines[*path, count] = self._line()
            self._value((*path, count))
            count += 1

        return element

    def _group(self, end: str, member: Callable[[], None]) -> None:
        self.at += 1
        self._skip()
        while self.text[self.at : self.at + 1] not in (end, ""):
            member()
            self._skip()
            if self.text.startswith(",", self.at):
                self.at += 1
                self._skip()
        self.at += 1


def _unquoted(key: str) -> str:
    if key[0] == "'" or (key[0] == '"' and "\\" not in key):
        return key[1:-1]
    if key[0] == '"':
        decoded = tomllib.loads(f"key = {key}")["key"]
        assert isinstance(decoded, str)
        return decoded
    return key
