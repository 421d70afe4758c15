"""What `codec.encode` writes, as regular expressions: each value in its shortest form, and nothing else.

head byte   00..17 the number itself      18 19 1a 1b  a number in the next 1, 2, 4, 8 bytes   20..3b  -1 less that
            40..5b bytes    60..7b text   80..97 array   c4 82 E D  decimal   f4 f5  false, true
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache

LONGEST = 127
"""Bytes of a text: longer ones are rare."""
SHORT = 23
"""Bytes of a text that its head byte says the number of."""
ITEMS = (1, 2, 3)
"""Of a list."""


def byte(number: int) -> bytes:
    """Return what matches one byte."""
    return rb"\x%02x" % number


def sized(majors: Iterable[int], longest: int = LONGEST) -> bytes:
    """Return what matches texts (major type 3) or bytes (2)."""
    heads = [b"".join(byte(each << 5 | low) for each in majors) for low in range(25)]
    kinds = [b"[%b].{%d}" % (head, n) for n, head in enumerate(heads[:24])]
    if longest > SHORT:
        long = b"|".join(b"%b.{%d}" % (byte(n), n) for n in range(24, longest + 1))
        kinds.append(b"[%b](?:%b)" % (heads[24], long))
    return b"|".join(kinds)


def numbered(numbers: Iterable[int]) -> bytes:
    """Return what matches the number of a field, in its shortest form."""
    short = b"".join(byte(each) for each in numbers if each < 24)
    long = b"".join(byte(each) for each in numbers if each > 23)
    parts = [b"[%b]" % short] if short else []
    return b"(?:%b)" % b"|".join([*parts, rb"\x18[%b]" % long] if long else parts)


WHOLE = (
    rb"[\x00-\x17\x20-\x37]|[\x18\x38][\x18-\xff]|[\x19\x39][^\x00].|[\x1a\x3a](?:[^\x00].{3}|\x00[^\x00]..)"
    rb"|[\x1b\x3b](?:[^\x00].{7}|\x00[^\x00].{6}|\x00\x00[^\x00].{5}|\x00{3}[^\x00].{4})"
)
"""A whole number in its shortest form: none that fits into fewer bytes."""
DECIMAL = rb"\xc4\x82[\x00-\x17\x20-\x37](?:%b)" % WHOLE
TRUTH = rb"[\xf4\xf5]"
PART = rb"(?:%b)" % b"|".join((WHOLE, DECIMAL, sized((3,))))
"""What a list holds."""
VALUE = b"|".join(
    (DECIMAL, WHOLE, sized((3, 2)), TRUTH, *(b"%b%b{%d}" % (byte(0x80 | n), PART, n) for n in ITEMS))
)


fields_in = re.compile(rb"(?:[\x01-\x17]|\x18[\x18-\xff])(?:%b)|." % VALUE, re.DOTALL).findall
"""Cuts a body into fields, each with its number and its value. A byte by itself is none."""


@cache
def like(head: int) -> bytes:
    """Return what matches values of the kind that one beginning with `head` is of: whole numbers of any size, say."""
    major, low = head >> 5, head & 31
    if major < 2:
        return WHOLE
    if major < 4:
        return sized((major,), SHORT if low <= SHORT else LONGEST)
    if major == 4:
        return b"%b%b{%d}" % (byte(head), PART, low)
    return DECIMAL if major == 6 else TRUTH
