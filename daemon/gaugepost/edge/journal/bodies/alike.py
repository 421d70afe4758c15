"""Bodies that are alike, of one kind and with the same fields, as most of a journal's are.

Once some hundreds were read field by field, an expression is made for bodies with just these fields. It cuts out what
each record has for its own; what they have in common, in whichever place, is looked up as a whole. Which is which is
seen in the bodies: temperatures are common where they are declared, and each reading's own where a thermometer tells.

The expression is made of the same strict parts as `plain`'s, so what it finds is proven to be in the form of
`codec.encode` too; a body that it does not fit is read field by field.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable
from itertools import groupby
from typing import Any

from gaugepost.core.record import NUMBER_OF
from gaugepost.edge.journal.bodies.expressions import fields_in, like, numbered

LEARNED_AT, COMPARED = 1000, 256
"""Bodies after which an expression is made, and how many of them are compared. It takes as long as reading them."""
FEWEST = 64
"""Of them must have the same fields."""
OWN_BEYOND = COMPARED // 16
"""A field with more values than this among them is each record's own."""
MOST_FORMS, MOST_GOES = 4, 8
"""Of bodies with one head: forms, and goes at learning one in vain."""
MOST_KEPT, WORTH = 256, 8
"""What records of one form have in common: so many are kept, and each is worth that where it is met so often."""
MOST_ASKED = 8
"""Different questions after some of the fields."""
_LARGE, _HEAD = 0xB8, 6
"""Bodies of more than 23 fields; their bytes that say how many, in which format and mostly of which kind."""
_BEGIN = 4
"""Bytes of those before the first field."""
_TIMES = {
    2: rb"\x02\x1b((?!\x00{4}).{8})",
    3: rb"\x03[\x1a\x1b]((?<=\x1b)(?!\x00{4}).{8}|(?<=\x1a)(?!\x00\x00).{4})",
}
"""`measured_at` and `clock_ms`, as they are but for a clock that was just set to its beginning."""

Known = Callable[[bytes], tuple[str, Any]]
"""Returns a field's name and value; a `LookupError` or `ValueError` where it is none."""
Cut = Callable[[bytes], re.Match[bytes] | None]
Shape = tuple[tuple[int, bytes], ...]
"""The numbers of a body's fields, and what matches values of their kinds."""


class Alike:
    """Reads bodies that are like those before them."""

    def __init__(self, known: Known) -> None:
        self._known = known
        self._forms: dict[bytes, list[_Form]] = {}
        self._read: defaultdict[bytes, int] = defaultdict(int)
        self._seen: defaultdict[bytes, list[bytes]] = defaultdict(list)
        self._in_vain: defaultdict[bytes, int] = defaultdict(int)

    def fields_of(self, body: bytes) -> dict[str, Any] | None:
        """Return the body's fields by name; None: it is not like those before."""
        for form in self._forms.get(body[:_HEAD], ()):
            if (cut := form.cut(body)) is not None:
                try:
                    return form.fields_of(cut)
                except (LookupError, ValueError):
                    return None
        return None

    def some_of(self, body: bytes, names: frozenset[str]) -> dict[str, Any] | None:
        """Return those of the fields `names` that the body has, with what every record has; None as above."""
        for form in self._forms.get(body[:_HEAD], ()):
            if (cut := form.cutting(names)(body)) is not None:
                try:
                    return form.some_of(cut)
                except (LookupError, ValueError):
                    return None
        return None

    def seen(self, body: bytes) -> None:
        """Tell of a body that had to be read field by field: from many that are alike it is learned how they are."""
        head = body[:_HEAD]
        if body[0] != _LARGE or self._in_vain[head] >= MOST_GOES:
            return
        self._read[head] = read = self._read[head] + 1
        if read <= LEARNED_AT - COMPARED:
            return
        seen = self._seen[head]
        seen.append(body)
        if len(seen) < COMPARED:
            return
        self._read[head], self._seen[head] = 0, []
        forms = [form for form in self._forms.get(head, ()) if form.is_worth_it]
        form = None if len(forms) >= MOST_FORMS else _learned(seen, self._known)
        self._in_vain[head] = 0 if form else self._in_vain[head] + 1
        self._forms[head] = [*forms, form] if form else forms


def _learned(bodies: Iterable[bytes], known: Known) -> _Form | None:
    """Return the form that most of the bodies have; None where they are too different."""
    by_shape: defaultdict[Shape, list[list[bytes]]] = defaultdict(list)
    for body in bodies:
        parts = fields_in(body, _BEGIN)
        shape = tuple(map(_kind_of, parts))
        numbers = [number for number, _ in shape]
        if numbers == sorted(set(numbers)) and numbers[:3] == [1, 2, 3] and len(parts) + 1 == body[1]:
            by_shape[shape].append([body[:_BEGIN], *parts])
    shape, alike = max(by_shape.items(), key=lambda each: len(each[1]), default=((), []))
    if len(alike) < FEWEST:
        return None
    (begin, *_), *columns = zip(*alike, strict=True)
    own = {
        number for (number, _), column in zip(shape, columns, strict=True) if len(set(column)) > OWN_BEYOND
    }
    try:
        names = [known(column[0])[0] for column in columns]
    except (LookupError, ValueError):
        return None
    return _Form(begin, shape, own.difference(_TIMES), names, known) if own.difference(_TIMES) else None


def _kind_of(part: bytes) -> tuple[int, bytes]:
    """Return the number of a field and what matches values of its kind; 0 where it is no field."""
    if len(part) == 1:
        return 0, b""
    return (part[1], like(part[2])) if part[0] == 24 else (part[0], like(part[1]))


def _nothing(body: bytes) -> None:
    return None


class _Form:
    """Bodies with the same fields."""

    def __init__(self, begin: bytes, shape: Shape, own: set[int], names: list[str], known: Known) -> None:
        self._begin, self._shape, self._known = re.escape(begin), shape, known
        self._blank = dict.fromkeys(names)
        self._common: dict[tuple[bytes, ...], dict[str, Any]] = {}
        self._reads = 0
        self._some: dict[frozenset[str], Cut] = {}
        own_at: list[int] = []
        common_at: list[int] = []
        pieces, group = [self._begin], 0
        for is_own, fields in groupby(shape, lambda field: field[0] in own or field[0] in _TIMES):
            each = [(number, _field(number, kind)) for number, kind in fields]
            for number, expression in each if is_own else [(0, b"".join(text for _, text in each))]:
                group += 1
                pieces.append(_TIMES.get(number) or b"(%b)" % expression)
                if number not in _TIMES:
                    (own_at if is_own else common_at).append(group)
        self.cut: Cut = re.compile(b"".join(pieces), re.DOTALL).fullmatch
        # Of one group alone a match gives no tuple.
        self._own_at, self._common_at = (at * 2 if len(at) == 1 else at for at in (own_at, common_at))

    @property
    def is_worth_it(self) -> bool:
        """Whether it still reads anything."""
        return self.cut is not _nothing

    def fields_of(self, cut: re.Match[bytes]) -> dict[str, Any]:
        """Return the fields of a body that was cut."""
        self._reads += 1
        common = cut.group(*self._common_at)
        base = self._common.get(common)
        found = (self._base(common) if base is None else base).copy()
        found.update(map(self._known, cut.group(*self._own_at)))
        found["measured_at"], found["clock_ms"] = int.from_bytes(cut[2], "big"), int.from_bytes(cut[3], "big")
        return found

    def _base(self, common: tuple[bytes, ...]) -> dict[str, Any]:
        if len(self._common) >= MOST_KEPT:
            if self._reads < WORTH * MOST_KEPT:
                self.cut = _nothing  # little is common any more: what is will be learned anew
            self._common, self._reads = {}, 0
        made = self._common[common] = self._blank | dict(
            self._known(part) for run in dict.fromkeys(common) for part in fields_in(run)
        )
        return made

    def cutting(self, names: frozenset[str]) -> Cut:
        """Return what cuts kind, times and then `names` out of a body."""
        if (found := self._some.get(names)) is None:
            if len(self._some) >= MOST_ASKED:
                self._some = {}
            found = self._some[names] = self._cutting({NUMBER_OF[name] for name in names})
        return found

    def _cutting(self, asked: set[int]) -> Cut:
        last = max(asked, default=0)
        pieces = [self._begin]
        for number, kind in self._shape:
            if number > max(last, 3):
                pieces.append(b"(?=%b)" % numbered([number]))
                break
            plain = _field(number, kind)
            pieces.append(
                _TIMES.get(number) or (b"(%b)" % plain if number in asked or number == 1 else plain)
            )
        else:
            pieces.append(rb"\Z")
        return re.compile(b"".join(pieces), re.DOTALL).match

    def some_of(self, cut: re.Match[bytes]) -> dict[str, Any]:
        """Return the fields that were cut out."""
        kind, measured_at, clock_ms, *others = cut.groups()
        found = dict(map(self._known, (kind, *others)))
        found["measured_at"], found["clock_ms"] = (
            int.from_bytes(measured_at, "big"),
            int.from_bytes(clock_ms, "big"),
        )
        return found


def _field(number: int, kind: bytes) -> bytes:
    return b"%b(?:%b)" % (numbered([number]), kind)
