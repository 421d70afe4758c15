"""Topics made from records: whatever stands in a record, it stays within the one level it was put into.

A value that people or scanners enter may hold anything. In a topic name `/` parts levels, `+` and `#` are wildcards,
U+0000 is forbidden, a `$` at the beginning makes a topic the broker's own, and an empty level is legal and a trap
(MQTT 5.0, 1.5.4, 4.7.1 to 4.7.3). So in values these, control characters, `%` and `~` are written as `%` and the two
hexadecimal digits of each byte, as in web addresses; what is missing or empty is `-`, and a value that is itself "-" is
`%2D`. A value that is too long keeps its beginning, and `~` and a digest tell it from others that begin alike. So
different values give different topics.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable
from functools import lru_cache

from gaugepost.contract import COLUMNS, Publication

MOST_BYTES = 1024
"""Bytes (UTF-8) of a topic at most. The protocol has room for 65,535, but many a broker has not (common practice, no
source)."""

MOST_VALUE_BYTES = 128
"""Bytes that one value takes at most, escapes counted."""

_DIGEST_DIGITS = 16
_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_NO_NAMES = frozenset(
    {"raw", "document", "hash", "reasons", "members", "master_indications_mm", "master_spans_mm"}
)
"""Lists, and what is a whole document: no name of anything."""

PLACEHOLDERS: tuple[str, ...] = tuple(name for name in COLUMNS if name not in _NO_NAMES)
"""Names that a record's topic may hold."""


def check(key: str, template: str, names: tuple[str, ...]) -> None:
    """Raise `ValueError`, with what to write, where `template` could give a topic that is broken or too long."""
    used = _PLACEHOLDER.findall(template)
    for name in used:
        if name not in names:
            known = (
                ", ".join(names)
                if len(names) < 5
                else "names of the vocabulary, as station, gauge, kind, lot"
            )
            raise ValueError(f"there is no placeholder {{{name}}} in {key}; write {known}")
    rest = _PLACEHOLDER.sub("x", template)
    if "{" in rest or "}" in rest:
        raise ValueError(f"{key} has a brace without its other half; write a placeholder as {{station}}")
    if any(sign in "+#" or _is_no_text(sign) for sign in rest):
        raise ValueError(f"{key} holds a wildcard (+ or #) or a control character; leave it out")
    if "" in rest.split("/"):
        raise ValueError(
            f'{key} has an empty level; write names between single slashes, as "shop/{{station}}"'
        )
    if rest.startswith("$"):
        raise ValueError(f"topics that begin with $ are the broker's own; begin {key} with another character")
    most = len(_PLACEHOLDER.sub("", template).encode()) + len(used) * MOST_VALUE_BYTES
    if most > MOST_BYTES:
        raise ValueError(
            f"topics of {key} could reach {most} bytes, and {MOST_BYTES} is the most; shorten it"
        )


def maker(template: str) -> Callable[[Publication], str]:
    """Return what makes a record's topic from a `template` that passed `check`."""
    parts = _PLACEHOLDER.split(template)  # text and names in turn
    texts, names = parts[::2], parts[1::2]

    def make(record: Publication) -> str:
        made = texts[0]
        for name, text in zip(names, texts[1:], strict=True):
            value = record.get(name)
            made += level("" if value is None else str(value)) + text
        return made

    return make


def pattern(template: str, known: Publication) -> str:
    """Return a pattern of every topic that a `template` can give where `known` values stay what they are."""
    parts = _PLACEHOLDER.split(template)
    made = re.escape(parts[0])
    for name, text in zip(parts[1::2], parts[2::2], strict=True):
        made += (re.escape(level(str(known[name]))) if name in known else "[^/]+") + re.escape(text)
    return made


def is_name(text: str) -> bool:
    """Whether `text`, which others wrote, can be published to: a topic name, not the broker's own, and not too long."""
    broken = any(sign in "+#" or _is_no_text(sign) for sign in text)
    return bool(text) and not broken and not text.startswith("$") and len(text.encode()) <= MOST_BYTES


@lru_cache(maxsize=4096)
def level(value: str) -> str:
    """Return `value` as it stands in a topic: not empty, at most `MOST_VALUE_BYTES` bytes, no / + # or NUL in it."""
    if value in ("", "-"):
        return "%2D" if value else "-"
    signs = [_escaped(sign) if _is_unfit(sign) else sign for sign in value]
    if sum(len(sign.encode()) for sign in signs) <= MOST_VALUE_BYTES:
        return "".join(signs)
    digest = hashlib.sha256(value.encode(errors="surrogatepass")).hexdigest()[:_DIGEST_DIGITS]
    room, kept = MOST_VALUE_BYTES - 1 - _DIGEST_DIGITS, ""
    for sign in signs:
        room -= len(sign.encode())
        if room < 0:
            break
        kept += sign
    return f"{kept}~{digest}"


def _is_unfit(sign: str) -> bool:
    """Whether a character of a value has a meaning in topics or in the escapes here, or is no text."""
    return sign in "/+#$%~" or _is_no_text(sign)


def _is_no_text(sign: str) -> bool:
    """Whether a broker may refuse it: a control character, half a surrogate pair, or none of Unicode's characters."""
    return unicodedata.category(sign) in ("Cc", "Cs", "Cn")


def _escaped(sign: str) -> str:
    return "".join(f"%{byte:02X}" for byte in sign.encode(errors="surrogatepass"))
