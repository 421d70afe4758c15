"""XML with the place of every element in its bytes, so that a few can be replaced and all others stay as they are.

Parsing and writing again would lose what a library does not know of, and rename prefixes that attributes refer to
(mc:Ignorable). No I/O.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

from gaugepost.contract import ValueRefused

Edit = tuple[int, int, bytes]
"""Replace the bytes from the first place to the second."""

_DECLARED = re.compile(rb"""\A<\?xml[^>]*?encoding\s*=\s*["']([A-Za-z0-9._-]+)["']""")
_CONTROLS = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


@dataclass(slots=True, eq=False)
class Element:
    """An element: its name and attributes as written, prefixes included, and where it stands in the bytes."""

    name: str
    attributes: Mapping[str, str]
    start: int
    """Where its first tag begins."""
    inner: int = 0
    """Where its first tag ends; for an empty one (`<c/>`) the same as `end`."""
    close: int = 0
    """Where its last tag begins; for an empty one the same as `end`."""
    end: int = 0
    """Where its last tag ends."""
    text: str = ""
    children: list[Element] = field(default_factory=list)

    @property
    def local(self) -> str:
        """Its name without a prefix."""
        return self.name.rpartition(":")[2]

    def each(self, *path: str) -> Iterator[Element]:
        """Yield the elements below it along local names."""
        name, *rest = path
        for child in self.children:
            if child.local == name:
                if rest:
                    yield from child.each(*rest)
                else:
                    yield child

    def first(self, *path: str) -> Element | None:
        """Return the first of `each`, or None."""
        return next(self.each(*path), None)

    def all_text(self) -> str:
        """Return its text and that of everything below it."""
        return self.text + "".join(child.all_text() for child in self.children)


def parse(data: bytes, what: str) -> Element:
    """Return the root element of `data`; `what` names it in a refusal.

    Raises:
        ValueRefused: it is not well-formed, not UTF-8, or has a document type, which no office program writes.
    """
    declared = _DECLARED.match(data)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or (
        declared and declared[1].upper() not in (b"UTF-8", b"US-ASCII")
    ):
        raise ValueRefused(f"{what} is not UTF-8", hint="save it again with an office program, as .xlsx")
    top: list[Element] = []
    open_: list[Element] = []
    parser = expat.ParserCreate("UTF-8")
    parser.buffer_text = True
    parser.buffer_size = 1 << 16

    def begin(name: str, attributes: dict[str, str]) -> None:
        element = Element(name, attributes, parser.CurrentByteIndex)
        if open_:
            parent = open_[-1]
            if not parent.children and not parent.inner:
                parent.inner = _after_tag(data, parent.start)
            parent.children.append(element)
        else:
            top.append(element)
        open_.append(element)

    def end(_name: str) -> None:
        element, at = open_.pop(), parser.CurrentByteIndex
        element.inner = element.inner or _after_tag(data, element.start)
        if data[element.inner - 2 : element.inner] == b"/>":
            element.close = element.end = element.inner
        else:
            element.close, element.end = at, data.index(b">", at) + 1

    def characters(text: str) -> None:
        open_[-1].text += text

    def refuse(*_: object) -> None:
        raise ValueRefused(
            f"{what} has a document type", hint="save it again with an office program, as .xlsx"
        )

    parser.StartElementHandler, parser.EndElementHandler = begin, end
    parser.CharacterDataHandler, parser.StartDoctypeDeclHandler = characters, refuse
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise ValueRefused(
            f"{what} is damaged: {error}", hint="open it in an office program and save it again"
        ) from error
    return top[0]


def _after_tag(data: bytes, start: int) -> int:
    """Return where the tag that begins at `start` ends: at the first > outside of quotes."""
    at = start
    while True:
        close = data.index(b">", at)
        quote = min(
            (place for mark in (b'"', b"'") if (place := data.find(mark, at, close)) >= 0), default=-1
        )
        if quote < 0:
            return close + 1
        at = data.index(data[quote : quote + 1], quote + 1) + 1


def replaced(data: bytes, edits: Iterable[Edit]) -> bytes:
    """Return `data` with every edit made; none may overlap another."""
    parts, at = [], 0
    for start, end, new in sorted(edits, key=lambda edit: edit[:2]):
        if start < at:
            raise AssertionError("two edits of the same bytes")
        parts += [data[at:start], new]
        at = end
    return b"".join([*parts, data[at:]])


def tag(name: str, attributes: Mapping[str, str], inner: str = "") -> str:
    """Return an element as text; `inner` is markup."""
    said = "".join(f" {key}={quoteattr(value)}" for key, value in attributes.items())
    return f"<{name}{said}>{inner}</{name}>" if inner else f"<{name}{said}/>"


def with_attributes(data: bytes, element: Element, **changes: str) -> Edit:
    """Return the edit that sets attributes in the element's first tag; what stands between its tags stays."""
    attributes = {**element.attributes, **changes}
    said = "".join(f" {key}={quoteattr(value)}" for key, value in attributes.items())
    empty = "/" if data[element.inner - 2 : element.inner] == b"/>" else ""
    return element.start, element.inner, f"<{element.name}{said}{empty}>".encode()


def as_text(text: str) -> str:
    """Return `text` as markup; what XML can't hold is written as its code (ECMA-376, ST_Xstring: _x0007_)."""
    kept = re.sub(r"_x(?=[0-9A-Fa-f]{4}_)", "_x005F_x", text)
    return escape(_CONTROLS.sub(lambda found: f"_x{ord(found.group()):04X}_", kept), {"\r": "_x000D_"})


def from_text(text: str) -> str:
    """Return what `as_text`, or an office program, wrote."""
    return re.sub(r"_x([0-9A-Fa-f]{4})_", lambda found: chr(int(found[1], 16)), text)
