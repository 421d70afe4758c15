"""Edits of the station file by a program: what is not edited stays as somebody wrote it, comments and order too."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, MutableMapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from gaugepost.core.errors import CommandRefused, ValueRefused


def merged(value: Any, change: Any) -> Any:
    """Return `value` after `change`, as JSON Merge Patch has it: null removes a key (RFC 7396, section 2)."""
    if not isinstance(change, Mapping):
        return change
    result = dict(value) if isinstance(value, Mapping) else {}
    for key, inner in change.items():
        if inner is None:
            result.pop(key, None)
        else:
            result[key] = merged(result.get(key), inner)
    return result


def edited(text: str, change: Mapping[str, Any]) -> str:
    """Return the TOML document `text` after the merge patch `change`, everything else in it as it was.

    Raises:
        ValueRefused: `change` holds what TOML can't.
        CommandRefused: it can't be edited in place: it is no TOML, or is written so that an edit would not say what was
            asked for.
    """
    try:
        document = tomlkit.parse(text)
        wanted = merged(tomllib.loads(text), change)
    except (TOMLKitError, ValueError) as cause:
        raise CommandRefused(
            f"the station file can't be edited: {cause}", hint="put it right with an editor first"
        ) from cause
    _without_null(change)
    new = ""
    try:
        _take(document, change)
        new = tomlkit.dumps(document)
        same = tomllib.loads(new) == wanted
    except (TOMLKitError, ValueError, TypeError):
        same = False
    if any("\ud800" <= each <= "\udfff" for each in new):
        raise ValueRefused("a text holds half a character", hint="send it as UTF-8")
    if not same:
        raise CommandRefused(
            "the station file is written so that this can't be edited in place",
            hint="write each table under a header of its own, or edit the file by hand and have it read again",
        )
    return new


def _take(table: MutableMapping[str, Any], change: Mapping[str, Any]) -> None:
    for key, inner in change.items():
        if inner is None:
            table.pop(key, None)
        elif isinstance(inner, Mapping) and isinstance(table.get(key), MutableMapping):
            _take(table[key], inner)
            if not table[key]:  # else its header, where it had one of its own, would go with its last entry
                table[key] = {}
        else:
            table[key] = merged({}, inner) if isinstance(inner, Mapping) else inner


def _without_null(value: Any) -> None:
    """Raise `ValueRefused` where a list holds a null: a merge patch can't say what that removes."""
    inner = value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ()
    for each in inner:
        if each is None and isinstance(value, list):
            raise ValueRefused("a list holds null, which TOML can't", hint="leave it out of the list")
        _without_null(each)
