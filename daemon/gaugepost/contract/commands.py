"""Commands that come in where records go out: what a destination may offer besides taking records.

A command is carried out as if it had been said over REST: the same words, the same checks, the same answers, and none
before what it says is on disk.
"""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from http import HTTPStatus
from typing import Protocol, runtime_checkable

from gaugepost.core.errors import ValueRefused

MOST_COMMAND_BYTES = 64 * 1024
"""Bytes of a command at most. Whoever brings a longer one may cut it, to no less than one byte more."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A command that somebody asks for: what it is called, and what was sent with it, a JSON object."""

    name: str
    body: bytes
    answer: Callable[[Mapping[str, object]], None]
    """Takes the answer, once, and returns at once; an answer that can't be passed on is lost."""


@runtime_checkable
class CommandSource(Protocol):
    """A destination that brings commands too, where its settings switch that on."""

    @property
    def brings_commands(self) -> bool:
        """Whether the settings switch it on."""

    def commands(self) -> AbstractAsyncContextManager[AsyncIterator[Asked]]:
        """Return a new connection over which commands come.

        Inside the context they come in the order in which they were asked for, each only while it is fresh: what was
        asked before the connection stood is not brought. Entering it raises `Unreachable` where they can't come,
        waiting for one raises it when they no longer can. It is apart from `open` and `deliver`, and may be asked for
        before, between and after them.
        """


def read_command(body: bytes) -> dict[str, object]:
    """Return what was sent with a command. Raises `ValueRefused` where that is no JSON object."""
    try:
        said = json.loads(body.decode())
    except UnicodeDecodeError:
        finding = "it is not UTF-8"
    except json.JSONDecodeError as error:
        finding = f"it is not JSON: {error.msg} at character {error.pos + 1}"
    except (ValueError, RecursionError):
        finding = "it is JSON that nobody means: a number without end, or nested without end"
    else:
        if isinstance(said, dict):
            return said
        finding = "it is not an object"
    raise ValueRefused(finding, hint='send one JSON object, as {"request": "a1b2", "piece": "7"}')


def problem_details(status: int, detail: str, hint: str = "") -> dict[str, object]:
    """Return a refusal as problem details (RFC 9457); the type is left out, which says that the status is all of it."""
    said: dict[str, object] = {"title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return said | ({"hint": hint} if hint else {})
