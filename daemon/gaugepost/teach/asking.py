"""What a gauge is asked with, as a description's `request` says it: one byte a character."""

from __future__ import annotations

from gaugepost.core.errors import ValueRefused

MOST_CHARACTERS = 64
"""As many as a description's `request` may have."""


def read_request(text: str) -> bytes:
    """Return the bytes that ask for a value; none for empty text.

    Raises:
        ValueRefused: no description could say them.
    """
    if len(text) > MOST_CHARACTERS:
        raise ValueRefused(
            f"the request has {len(text)} characters",
            hint=f"a gauge is asked with {MOST_CHARACTERS} at the most",
        )
    if "{channel}" in text:
        raise ValueRefused(
            "the request holds {channel}", hint="write it as this gauge takes it, with its own channel"
        )
    try:
        return text.encode("latin-1")
    except UnicodeEncodeError as error:
        raise ValueRefused(
            f"the request holds {text[error.start]!r}, which is no single byte",
            hint=r"write each byte as a character of its own, from \u0000 to \u00FF",
        ) from error
