"""Reads lines of device rules: conditions and what follows of them, as udev(7) has their language.

What matters here is who may open a device and by which name it is found; conditions on what udev finds out by itself,
and rules that jump or run programs, are read and told, and not tried.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from gaugepost.core.errors import ValueRefused

OF_DEVICE = frozenset({"KERNEL", "SUBSYSTEM", "ATTR", "ACTION", "ENV"})
OF_PARENTS = frozenset({"KERNELS", "SUBSYSTEMS", "ATTRS"})
"""All of a rule's must fit one and the same device of the chain."""
FOLLOWS = frozenset({"GROUP", "MODE", "OWNER", "SYMLINK", "ENV", "TAG"})
_NOT_TRIED = frozenset({
    "ATTR", "CONST", "DEVPATH", "DRIVER", "DRIVERS", "GOTO", "IMPORT", "LABEL", "NAME", "OPTIONS", "PROGRAM",
    "RESULT", "RUN", "SECLABEL", "SYSCTL", "TAGS", "TEST",
})  # fmt: skip
_MATCH, _ASSIGN = ("==", "!="), ("=", "+=", "-=", ":=")
_PART = re.compile(r'\s*,?\s*([A-Z]+)(?:\{([^}]*)\})?\s*(==|!=|\+=|-=|:=|=)\s*"((?:[^"\\]|\\.)*)"')


@dataclass(frozen=True, slots=True)
class Part:
    """One key of a rule: a condition, or what follows."""

    key: str
    about: str
    """What stands in the braces behind the key."""
    operator: str
    value: str

    def __str__(self) -> str:
        return f"{self.key}{{{self.about}}}" if self.about else self.key


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of a file."""

    line: int
    conditions: tuple[Part, ...]
    follows: tuple[Part, ...]
    not_tried: tuple[Part, ...]
    """Parts by which the rule can't be decided here."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A line that is no rule."""

    line: int
    finding: str
    write: str


def read_rules(text: str) -> tuple[list[Rule], list[Finding]]:
    """Return the rules of a file, and what is wrong in it."""
    rules: list[Rule] = []
    findings: list[Finding] = []
    for number, line in _lines(text):
        try:
            rules.append(_rule(number, line))
        except ValueRefused as error:
            findings.append(Finding(number, error.finding, error.hint))
    return rules, findings


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """Yield each rule with its line's number; one that ends with a backslash goes on in the next line."""
    begun, kept = 0, ""
    for number, line in enumerate(text.split("\n"), 1):
        if line.lstrip().startswith("#"):
            continue
        begun = begun or number
        if line.endswith("\\"):
            kept += line[:-1]
            continue
        if (kept + line).strip():
            yield begun, (kept + line).strip()
        begun, kept = 0, ""


def _rule(number: int, line: str) -> Rule:
    at, parts = 0, list[Part]()
    while at < len(line):
        found = _PART.match(line, at)
        if found is None:
            raise ValueRefused(
                f"{line[at:].strip(' ,')[:60]!r} is no part of a rule",
                hint='write KEY=="value" for a condition and KEY="value" for what follows, with commas between',
            )
        part = Part(found[1], found[2] or "", found[3], found[4])
        _look_at(part)
        parts.append(part)
        at = found.end()
        at += len(line[at:]) if not line[at:].strip(" ,") else 0
    conditions = tuple(
        part for part in parts if part.operator in _MATCH and part.key not in _NOT_TRIED - {"ATTR"}
    )
    follows = tuple(part for part in parts if part.operator in _ASSIGN and part.key in FOLLOWS)
    rest = tuple(part for part in parts if part not in conditions and part not in follows)
    return Rule(number, conditions, follows, rest)


def _look_at(part: Part) -> None:
    known = OF_DEVICE | OF_PARENTS | FOLLOWS | _NOT_TRIED
    if part.key not in known:
        raise ValueRefused(f"there is no key {part.key}", hint=f"keys are {', '.join(sorted(known))}")
    if part.key in ("ATTR", "ATTRS", "ENV") and not part.about:
        raise ValueRefused(f"{part.key} names nothing", hint=f'write {part.key}{{idVendor}}=="1a2b"')
    only_asks = part.key in (OF_DEVICE | OF_PARENTS) - {"ATTR", "ENV"}
    if only_asks and part.operator not in _MATCH:
        raise ValueRefused(
            f"{part} is a condition, and {part.operator} sets something",
            hint=f'write {part}=="{part.value}"',
        )
    if part.key in FOLLOWS - {"ENV", "TAG"} and part.operator in _MATCH:
        raise ValueRefused(
            f"{part} is something that follows, and {part.operator} asks for it",
            hint=f'write {part}{"+=" if part.key == "SYMLINK" else "="}"{part.value}"',
        )
    if part.key in FOLLOWS - {"ENV", "TAG"} and part.operator == "-=":
        raise ValueRefused(
            f"nothing can be taken from {part}", hint=f'write {part}="{part.value}", or leave it out'
        )
    if part.key == "MODE" and not re.fullmatch(r"[0-7]{3,4}", part.value):
        raise ValueRefused(f"{part.value!r} is no mode", hint='write MODE="0660"')
