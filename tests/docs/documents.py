"""What the documents tell people to type and to write: blocks of code, and commands in sentences."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCUMENTS = (
    "README.md",
    "DEVELOPERS.md",
    *sorted(str(path.relative_to(ROOT)) for path in (ROOT / "deploy").rglob("*.md")),
)
COMMENTED = tuple(
    str(path.relative_to(ROOT))
    for folder, pattern in (
        ("stations", "*.toml"),
        ("plant", "*.toml"),
        ("systemd", "*"),
        ("device-rules", "*"),
    )
    for path in sorted((ROOT / "deploy" / folder).rglob(pattern))
)
"""Files whose comments tell people what to type."""

PROGRAMS = re.compile(
    r"(gaugepost|make|python|sh|bash|curl|sudo|tar|psql|mosquitto_\w+|systemctl|dpkg|git|mkdir|cp|echo|udevadm|groupadd|usermod|openssl"
    r"|lint-imports|docker|podman) [^=:]"
)
_FENCE = re.compile(r"^ {0,3}```(\w*)\n(.*?)^ {0,3}```\n", re.MULTILINE | re.DOTALL)
_HEADING = re.compile(r"^#+ +(.*)$")
_POINT = re.compile(r" *([-*]|\d+\.|\|) ")
_SPAN = re.compile(r"`([^`\n]+)`")


@dataclass(frozen=True, slots=True)
class Block:
    """A block of code: all lines that stand together, without their indent."""

    document: str
    heading: str
    line: int
    language: str
    """As the fence names it; empty where the block is indented."""
    text: str

    def __str__(self) -> str:
        return f"{self.document}:{self.line}"


@dataclass(frozen=True, slots=True)
class Command:
    """One command as it would be typed, without the comment behind it."""

    document: str
    heading: str
    line: int
    text: str
    block: bool
    """Whether it stands in a block; else it is named in a sentence."""

    def __str__(self) -> str:
        return f"{self.document}:{self.line}: {self.text}"


@cache
def blocks(document: str) -> tuple[Block, ...]:
    """Return a document's blocks of code, in its order."""
    return tuple(_blocks(document))


def _blocks(document: str) -> Iterator[Block]:
    heading, fence, kept, begun = "", None, list[str](), 0
    inside = ""
    lines = (ROOT / document).read_text(encoding="utf-8").split("\n")
    for number, line in enumerate([*lines, "# end"], 1):
        bare = line.strip()
        if fence is not None:
            if bare == "```":
                yield _block(document, heading, begun, fence, kept)
                fence, kept = None, []
            else:
                kept.append(line)
            continue
        if bare.startswith("```"):
            fence, begun = bare[3:], number + 1
            continue
        indent = len(line) - len(line.lstrip())
        # Below a point of a list a block stands four further in than the point's text.
        if bare and not kept and _POINT.match(line) and not bare.startswith("|"):
            inside = " " * (indent + len(bare.split()[0]) + 1)
        elif bare and indent == 0:
            inside = ""
        if line.startswith(inside + "    ") or (kept and not bare):
            begun = begun if kept else number
            kept.append(line)
            continue
        if kept:
            yield _block(document, heading, begun, "", kept)
            kept = []
        if named := _HEADING.match(line):
            heading = named[1]


def _block(document: str, heading: str, line: int, language: str, kept: list[str]) -> Block:
    from textwrap import dedent

    return Block(document, heading, line, language, dedent("\n".join(kept)).strip("\n") + "\n")


@cache
def commands(document: str) -> tuple[Command, ...]:
    """Return everything that a document says to type, in its order: lines of its blocks, and spans in its sentences."""
    found = [each for block in blocks(document) for each in _of_block(block)]
    return tuple(sorted([*found, *_of_sentences(document)], key=lambda each: each.line))


def is_command(text: str) -> bool:
    """Whether `text` is something to type: it begins with a program, and is no sentence about it."""
    return PROGRAMS.match(text) is not None


def _of_block(block: Block) -> Iterator[Command]:
    if block.language not in ("", "sh"):
        return
    lines = block.text.split("\n")
    at = 0
    while at < len(lines):
        number, text = block.line + at, lines[at]
        while text.endswith("\\"):
            at += 1
            text = text[:-1] + lines[at].strip()
        at += 1
        text = re.sub(r"\s+#\s.*$", "", text.strip())
        if is_command(text):
            yield Command(block.document, block.heading, number, text, block=True)


def _of_sentences(document: str) -> Iterator[Command]:
    inside = {
        number
        for block in blocks(document)
        for number in range(block.line, block.line + block.text.count("\n"))
    }
    heading, begun, paragraph = "", 1, list[str]()
    for number, line in enumerate([*(ROOT / document).read_text(encoding="utf-8").split("\n"), ""], 1):
        named = _HEADING.match(line)
        goes_on = number not in inside and line.strip() and not line.lstrip().startswith("```") and not named
        if goes_on and paragraph and not _POINT.match(line):
            paragraph.append(line.strip())
            continue
        # A command may go on in the next line.
        for span in _SPAN.findall(" ".join(paragraph)):
            if is_command(span):
                yield Command(document, heading, begun, span, block=False)
        begun, paragraph = number, [line.strip()] if goes_on else []
        heading = named[1] if named else heading


def of_comments(document: str) -> Iterator[Command]:
    """Yield what a file's comments say to type."""
    for number, line in enumerate((ROOT / document).read_text(encoding="utf-8").split("\n"), 1):
        comment = line.partition("#")[2] if not line.lstrip().startswith("#") else line.lstrip("# ")
        spans = _SPAN.findall(comment)
        for found in spans or re.findall(r"\b(gaugepost [a-z][^;&]*)", comment):
            if is_command(found):
                yield Command(document, "", number, found.strip(), block=False)
