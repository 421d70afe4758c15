"""Lines of keys: the standard library's parser says which keys there are, the generator knows where it wrote them."""

import tomllib
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given, settings, strategies as st

from gaugepost.edge.stationfile.positions import Path, locate

KEYS = {
    "a": "a",
    "b-1": "b-1",
    "7": "7",
    '"x.y"': "x.y",
    "'q # [r]'": "q # [r]",
    '"t\\u0041\\"b"': 't\u0041"b',
    '""': "",
}
SCALARS = (
    "1",
    "-0.5e3",
    "true",
    "1979-05-27 07:32:00",
    "2027-03-31",
    '"# no ] comment, no = key"',
    r"'C:\no\escape'",
    r'"\\"',
    '""',
    '"""\nfirst\n"quoted" \\\n  last\\""""""',
    "'''\n[not] = a table\n'''''",
    '""""one" """',
)
GAPS = ("", "\n", "# comment = [1]\n", '  # [x] "\n\n', "\t")


class Writer:
    """Writes a document and remembers the line of everything it writes."""

    def __init__(
        self, draw: Callable[[st.SearchStrategy[str]], str], count: Callable[[int, int], int]
    ) -> None:
        self.draw, self.count = draw, count
        self.text = ""
        self.lines: dict[Path, int] = {}

    def line(self) -> int:
        return self.text.count("\n") + 1

    def put(self, text: str) -> None:
        self.text += text

    def note(self, path: Path) -> None:
        self.lines.setdefault(path, self.line())

    def gap(self) -> None:
        self.put(self.draw(st.sampled_from(GAPS)))

    def fresh_keys(self, most: int) -> list[str]:
        return [*KEYS][: self.count(0, most)]

    def value(self, path: Path, depth: int) -> None:
        kind = self.draw(st.sampled_from(("scalar", "array", "inline") if depth else ("scalar",)))
        if kind == "scalar":
            self.put(self.draw(st.sampled_from(SCALARS)))
        elif kind == "array":
            self.array(path, depth)
        else:
            self.put("{ ")
            for number, key in enumerate(self.fresh_keys(2)):
                self.put(", " if number else "")
                self.pair(path, key, depth - 1)
            self.put(" }")

    def array(self, path: Path, depth: int) -> None:
        self.put("[")
        count = self.count(0, 3)
        for number in range(count):
            self.put(self.draw(st.sampled_from(("", "\n  ", " # ]\n"))))
            self.note((*path, number))
            self.value((*path, number), depth - 1)
            self.put("," if number < count - 1 or self.count(0, 1) else "")
        self.put(self.draw(st.sampled_from(("]", "\n]", " # , [\n]"))))

    def pair(self, table: Path, key: str, depth: int) -> None:
        dotted = [key, *(["b-1"] if self.count(0, 3) == 0 else [])]
        path = table
        for part in dotted:
            path = (*path, KEYS[part])
            self.note(path)
        self.put(self.draw(st.sampled_from((".", " . "))).join(dotted))
        self.put(self.draw(st.sampled_from(("=", " =\t"))))
        self.value(path, depth)

    def pairs(self, table: Path) -> None:
        for key in self.fresh_keys(4):
            self.put(self.draw(st.sampled_from(("", "  "))))
            self.pair(table, key, 2)
            self.put(self.draw(st.sampled_from(("\n", " # end\n"))))
            self.gap()
            self.put("\n")

    def table(self, header: str, path: Path, brackets: int = 1) -> None:
        self.gap()
        self.put("\n")
        for end in range(1, len(path) + 1):
            self.note(path[:end])
        self.lines[path] = self.line()
        self.put(f"{'[' * brackets}{header}{']' * brackets}\n")
        self.pairs(path)

    def document(self) -> None:
        self.pairs(())
        for number in range(self.count(0, 3)):
            name = f"table{number}"
            kind = self.draw(st.sampled_from(("plain", "child first", "array")))
            if kind == "plain":
                self.table(name, (name,))
                self.table(f"{name} . sub.'deep er'", (name, "sub", "deep er"))
            elif kind == "child first":
                self.table(f"{name}.child", (name, "child"))
                self.table(name, (name,))
            else:
                for place in range(self.count(1, 3)):
                    self.table(name, (name, place), brackets=2)
                    self.table(f"{name}.child", (name, place, "child"))
                    for inner in range(self.count(0, 2)):
                        self.table(f"{name}.rows", (name, place, "rows", inner), brackets=2)


def every_path(value: object, path: Path = ()) -> Iterator[Path]:
    if path:
        yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from every_path(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from every_path(inner, (*path, place))


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[Path, int]]:
    writer = Writer(draw, lambda low, high: draw(st.integers(low, high)))
    writer.document()
    return writer.text, writer.lines


@settings(max_examples=300, deadline=None)
@given(documents(), st.booleans())
@pytest.mark.attack
def test_every_key_has_its_line(document: tuple[str, dict[Path, int]], crlf: bool) -> None:
    """Every key path that the parser sees has the line it was written on, and no other path has one."""
    text, lines = document
    text = text.replace("\n", "\r\n") if crlf else text
    found = locate(text)
    assert set(found) == set(every_path(tomllib.loads(text)))
    assert found == lines


def test_a_document_written_by_hand() -> None:
    """Headers, dotted keys, lists and inline tables stand where a reader would point."""
    text = """\
title = "x"          # 1
size.low = 1
size.high = 2

[links.a.decoder]    # 5
kinds = [
  "one",
  { two = 2, three.four = 5 },
]
[links.a]            # 10
[[rows]]
note = '''
two lines
'''
[[rows]]             # 15
"""
    lines = locate(text)
    assert lines["size",] == lines["size", "low"] == 2
    assert lines["size", "high"] == 3
    assert lines["links",] == lines["links", "a", "decoder"] == 5
    assert lines["links", "a", "decoder", "kinds", 0] == 7
    assert lines["links", "a", "decoder", "kinds", 1, "three", "four"] == 8
    assert lines["links", "a"] == 10
    assert lines["rows",] == lines["rows", 0] == 11
    assert lines["rows", 0, "note"] == 12
    assert lines["rows", 1] == 15


@pytest.mark.parametrize("text", ["", "\n\n", "# only a comment"])
def test_nothing_has_no_lines(text: str) -> None:
    """A document without keys has no lines."""
    assert locate(text) == {}
