"""What is wrong in a station file, said so that whoever edits it can go to the line and write the right thing.

Findings are gathered, not thrown one by one: a file is put right in one go.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from gaugepost.core.errors import SettingsError, ValueRefused
from gaugepost.edge.stationfile.positions import Path

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+", re.ASCII)


class Severity(StrEnum):
    """Whether a station can run with it."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing in a station file that is wrong, or that somebody should know.

    `line` counts from 1; 0 stands for the file as a whole. `write` is the remedy as a sentence.
    """

    file: str
    line: int
    key: str
    finding: str
    expected: str = ""
    write: str = ""
    severity: Severity = Severity.ERROR

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}: " if self.line else f"{self.file}: "
        key = f"{self.key}: " if self.key else ""
        mark = "warning: " if self.severity is Severity.WARNING else ""
        said = [self.finding, f"expected {self.expected}" if self.expected else "", self.write]
        return f"{place}{mark}{key}{'; '.join(part for part in said if part)}"


class StationFileError(SettingsError):
    """A station file that can't be run: every finding at once, in the order of the file."""

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class Report:
    """Gathers findings about one file; knows the line of every key."""

    def __init__(self, file: str, lines: dict[Path, int]) -> None:
        self.file = file
        self.cause: BaseException | None = None
        """The first error that another program raised, kept for whoever looks after the station."""
        self._lines = lines
        self._findings: list[Finding] = []

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Everything found, in the order of the file, then of the files that it names; once each."""
        return tuple(
            sorted(
                dict.fromkeys(self._findings),
                key=lambda finding: (finding.file != self.file, finding.file, finding.line, finding.key),
            )
        )

    @property
    def failed(self) -> bool:
        """Whether a station can't run with what was found."""
        return any(finding.severity is Severity.ERROR for finding in self._findings)

    def error(self, path: Path, finding: str, expected: str = "", write: str = "") -> None:
        """Note an error at `path`; a key that is not there stands at the line of its table."""
        self._note(path, finding, expected, write, Severity.ERROR)

    def warn(self, path: Path, finding: str, expected: str = "", write: str = "") -> None:
        """Note something the station can run with."""
        self._note(path, finding, expected, write, Severity.WARNING)

    def refused(self, path: Path, error: ValueRefused) -> None:
        """Note a value that the core refused, in the core's words."""
        self.error(path, error.finding, write=error.hint)

    def unknown(self, path: Path, what: str, name: object, known: Iterable[str]) -> None:
        """Note that `name` at `path` is no `what`, with the nearest of the `known` ones."""
        names = sorted(known)
        best = nearest(name, names) if isinstance(name, str) else None
        key = path[-1] if isinstance(path[-1], str) else path[-2]
        write = ""
        if best:
            write = f"write {toml(best)}" if isinstance(path[-1], int) else f"write {key} = {toml(best)}"
        self.error(path, f"{toml(name)} is not {what}", either(names), write)

    def add(self, finding: Finding) -> None:
        """Note what was found in a file that this one names."""
        self._findings.append(finding)

    def made(self, path: Path, finding: str, expected: str, write: str, severity: Severity) -> Finding:
        """Return a finding at the line of `path`."""
        return Finding(self.file, self._line(path), key_text(path), finding, expected, write, severity)

    def _note(self, path: Path, finding: str, expected: str, write: str, severity: Severity) -> None:
        self.add(self.made(path, finding, expected, write, severity))

    def _line(self, path: Path) -> int:
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines.get(path, 0)


def key_text(path: Path) -> str:
    """Return `path` as it would be written in TOML: gauges."bore.38".size_range[0]."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += ("." if text else "") + (part if _BARE_KEY.fullmatch(part) else toml(part))
    return text


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that `word` was most likely meant to be, or None where none is near."""
    by_fold = {name.casefold(): name for name in known}
    found = difflib.get_close_matches(word[:100].casefold(), by_fold, n=1, cutoff=0.6)
    return by_fold[found[0]] if found else None


def either(names: Iterable[str]) -> str:
    """Return "a, b or c"."""
    *rest, last = [*names] or ["nothing"]
    return f"{', '.join(rest)} or {last}" if rest else last


def toml(value: object) -> str:
    """Return `value` as a station file would show it, cut where it is long."""
    if isinstance(value, str):
        quoted = json.dumps(value if len(value) <= 60 else f"{value[:57]}...", ensure_ascii=False)
        return "".join(each if each.isprintable() else json.dumps(each)[1:-1] for each in quoted)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
