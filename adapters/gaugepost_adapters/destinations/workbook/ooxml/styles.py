"""A workbook's cell styles: those that a filled cell takes, made of those it has. No I/O."""

from __future__ import annotations

import re

from gaugepost_adapters.destinations.workbook.ooxml.markup import (
    Edit,
    Element,
    parse,
    replaced,
    with_attributes,
)

_DATE_AND_TIME = "22"
"""Built-in number format of date and time, shown as the reader's own country writes them (ECMA-376, 18.8.30)."""
_BUILT_IN_TIMES = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})


class Styles:
    """The styles of a workbook; new ones are added at the end, so that no index changes its meaning."""

    def __init__(self, data: bytes, what: str) -> None:
        self._data = data
        root = parse(data, what)
        self._list = root.first("cellXfs")
        self._styles = list(self._list.each("xf")) if self._list else []
        self._formats = {
            each.attributes.get("numFmtId", ""): each.attributes.get("formatCode", "")
            for each in root.each("numFmts", "numFmt")
        }
        self._added: dict[tuple[int, str], int] = {}
        self._new: list[bytes] = []

    def as_written(self, style: int) -> int:
        """Return a style like `style` that keeps text text when a person edits it (quotePrefix)."""
        return self._like(style, "quotePrefix", "1")

    def as_time(self, style: int) -> int:
        """Return `style` where it shows a date or time, else one like it that does."""
        if style >= len(self._styles):
            return style
        number = self._styles[style].attributes.get("numFmtId", "0")
        code = re.sub(r'"[^"]*"|\\.|\[[^\]]*\]', "", self._formats.get(number, ""))
        if (number.isdecimal() and int(number) in _BUILT_IN_TIMES) or re.search("[dhmsyDHMSY]", code):
            return style
        return self._like(style, "numFmtId", _DATE_AND_TIME)

    def data(self) -> bytes:
        """Return the part's bytes, with the styles that were added."""
        if self._list is None or not self._new:
            return self._data
        edits: list[Edit] = [(self._list.close, self._list.close, b"".join(self._new))]
        edits.append(with_attributes(self._data, self._list, count=str(len(self._styles) + len(self._new))))
        return replaced(self._data, edits)

    def _like(self, style: int, key: str, value: str) -> int:
        if style >= len(self._styles) or self._styles[style].attributes.get(key) == value:
            return style
        if (style, key) not in self._added:
            self._added[style, key] = len(self._styles) + len(self._new)
            self._new.append(self._copied(self._styles[style], key, value))
        return self._added[style, key]

    def _copied(self, element: Element, key: str, value: str) -> bytes:
        data = self._data[element.start : element.end]
        changes = {key: value, **({"applyNumberFormat": "1"} if key == "numFmtId" else {})}
        moved = Element(element.name, element.attributes, 0, element.inner - element.start)
        return replaced(data, [with_attributes(data, moved, **changes)])
