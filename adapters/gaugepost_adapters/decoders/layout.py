"""Templates for a frame's text, "{channel:2}{sign}{value} {unit?}", and the matchers made of them.

A template is text that must be there and named holes. Written out as a user may write it:

    {name}      a hole, as long as what fits it         {name:7}    exactly 7 characters
    {name?}     a hole that may be absent               {name:2-5}  2 to 5 characters
    {{ and }}   a brace

The regular expression made from it repeats character classes only, each possessively: a character once taken is never
given back, so a match takes time linear in the text. Where taking greedily could miss a reading of the text that fits,
the template is refused, so there is never more than one way to read a frame.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from gaugepost.contract import ValueRefused

Chars = frozenset[str]
LONGEST_HOLE = 255
"""Characters a hole may take where its template gives no width."""

_TOKEN = re.compile(
    r"(?P<text>(?:[^{}]|\{\{|\}\})+)"
    r"|\{(?P<name>[a-z]+)(?::(?P<least>[0-9]{1,3})(?:-(?P<most>[0-9]{1,3}))?)?(?P<optional>\?)?\}"
)


@dataclass(frozen=True, slots=True)
class Hole:
    """What fits a hole: any of the `spellings`, or a run of `chars`."""

    chars: Chars = frozenset()
    spellings: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a template: text (`name` empty) or a hole. `least` and `most` are None where no width is given."""

    name: str = ""
    text: str = ""
    least: int | None = None
    most: int | None = None
    optional: bool = False

    def __str__(self) -> str:
        return repr(self.text) if self.text else f"{{{self.name}}}"


def parse_template(template: str) -> list[Part]:
    """Return the parts of a template.

    Raises:
        ValueRefused: an open brace, a hole's name or width that is not written as above.
    """
    parts: list[Part] = []
    at = 0
    while at < len(template):
        found = _TOKEN.match(template, at)
        if not found:
            raise ValueRefused(
                f"{template[at:]!r} does not begin with text or a hole",
                hint="write holes as {value}, {value:7}, {value:2-5} or {value?}, and a brace as {{ or }}",
            )
        at = found.end()
        if found["text"]:
            parts.append(Part(text=found["text"].replace("{{", "{").replace("}}", "}")))
            continue
        least = int(found["least"]) if found["least"] else None
        most = int(found["most"]) if found["most"] else least
        if least is not None and most is not None and not 1 <= least <= most <= LONGEST_HOLE:
            raise ValueRefused(
                f"{found.group()} has a width that can't be",
                hint=f"write 1 to {LONGEST_HOLE}, the smaller first",
            )
        parts.append(Part(found["name"], "", least, most, bool(found["optional"])))
    return parts


def compile_parts(parts: Sequence[Part], holes: Mapping[str, Hole]) -> re.Pattern[str]:
    """Return the matcher, for `fullmatch`, with a group for each hole but "skip".

    Raises:
        ValueRefused: an unknown hole, one used twice, a width on spellings, or parts that run into each other.
    """
    names = [part.name for part in parts if part.name and part.name != "skip"]
    for part in parts:
        if part.name and part.name not in holes:
            known = ", ".join(f"{{{name}}}" for name in holes)
            raise ValueRefused(f"{part} is not a hole that can stand here", hint=f"use {known}")
        if names.count(part.name) > 1:
            raise ValueRefused(
                f"{part} stands twice", hint="name each hole once; {skip} takes what is not wanted"
            )
    pattern = ""
    follow: Chars = frozenset()
    for index in range(len(parts) - 1, -1, -1):
        part = parts[index]
        hole = Hole(spellings=[part.text]) if part.text else holes[part.name]
        if part.name == "skip":
            hole = Hole(hole.chars - follow - _number_before(parts, index, holes))
        if not hole.chars and not hole.spellings:
            raise ValueRefused(f"nothing is left that {part} could take", hint="put text around it")
        first, more = _reach(part, hole)
        clash = follow & (more | first if part.optional else more)
        if clash:
            raise ValueRefused(
                f"{part} and what comes after it can both take {min(clash)!r}, so a frame could be read in two ways",
                hint=f"put text between them, or give {part} an exact width and no question mark",
            )
        pattern = _expression(part, hole) + pattern
        follow = first | follow if part.optional else first
    return re.compile(pattern, re.ASCII)


def _number_before(parts: Sequence[Part], index: int, holes: Mapping[str, Hole]) -> Chars:
    """What {skip} must not take because it stands right behind the number, which it would cut short."""
    return holes["value"].chars if index and parts[index - 1].name == "value" else frozenset()


def _reach(part: Part, hole: Hole) -> tuple[Chars, Chars]:
    """Characters that can begin the part, and those that can make it longer where it could already end."""
    if hole.spellings:
        longer = {
            long[len(short)]
            for short in hole.spellings
            for long in hole.spellings
            if len(long) > len(short) and long.startswith(short)
        }
        return frozenset(spelling[0] for spelling in hole.spellings), frozenset(longer)
    fixed = part.least is not None and part.least == part.most
    return hole.chars, frozenset() if fixed else hole.chars


def _expression(part: Part, hole: Hole) -> str:
    if part.text:
        return re.escape(part.text)
    if hole.spellings:
        if part.least is not None:
            raise ValueRefused(f"{part} takes no width", hint="its spellings have widths of their own")
        body = f"(?>{'|'.join(map(re.escape, longest_first(hole.spellings)))})"
    else:
        members = "".join(f"\\x{ord(char):02x}" for char in sorted(hole.chars))
        body = f"[{members}]{{{part.least or 1},{part.most or LONGEST_HOLE}}}+"
    group = f"(?:{body})" if part.name == "skip" else f"(?P<{part.name}>{body})"
    return group + ("?+" if part.optional else "")


def longest_first(spellings: Iterable[str]) -> list[str]:
    """Return spellings so that none hides behind its own beginning: "mm" before "m"."""
    return sorted(spellings, key=len, reverse=True)
