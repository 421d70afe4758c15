"""Looks what is plugged in without keeping anybody waiting for ever: a kind of link that takes too long is told."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping

from gaugepost.core.errors import GaugepostError, Unreachable
from gaugepost.shell.devices.plugged_in import Found, kinds, present

PATIENCE_S = 10.0
RADIO_PATIENCE_S = 30.0
IN_TURN_S = 1.0
"""Kinds look one after the other, which takes each some milliseconds; one that takes longer holds up no other.

Three at a time stood still for ever now and then, on a test's machine, each looking where a link of a folder leads."""


class Looking:
    """Asks each kind of link once at a time, however many want to know."""

    def __init__(self) -> None:
        self._going: dict[str, asyncio.Task[list[Found]]] = {}

    async def look(
        self, links: Mapping[str, str], *, by_radio: bool
    ) -> tuple[list[Found], dict[str, GaugepostError]]:
        """Return what is there, and for each kind that could not tell why; `links` as for `present`."""
        now = asyncio.get_running_loop().time
        until = now() + (RADIO_PATIENCE_S if by_radio else PATIENCE_S)
        asked: dict[str, asyncio.Task[list[Found]]] = {}
        for kind in await asyncio.to_thread(kinds, by_radio=by_radio):
            asked[kind] = self._asked(kind, links)
            await asyncio.wait([asked[kind]], timeout=IN_TURN_S)
        if asked:
            await asyncio.wait(asked.values(), timeout=max(0.0, until - now()))
        found: list[Found] = []
        problems: dict[str, GaugepostError] = {}
        for kind, task in asked.items():
            try:
                found += _result(kind, task)
            except GaugepostError as problem:
                problems[kind] = problem
        return found, problems

    def _asked(self, kind: str, links: Mapping[str, str]) -> asyncio.Task[list[Found]]:
        going = self._going.get(kind)
        if going is None or going.done():
            looked = asyncio.to_thread(lambda: list(present(kind, links)))
            going = self._going[kind] = asyncio.create_task(looked, name=f"looks for {kind}")
            going.add_done_callback(_seen)
        return going


def _result(kind: str, task: asyncio.Task[list[Found]]) -> list[Found]:
    if not task.done():
        raise Unreachable(f"{kind} has not said yet what is there", hint="ask again in a moment")
    return task.result()


def _seen(task: asyncio.Task[list[Found]]) -> None:
    """Take note of how it ended, where whoever asked has gone."""
    if not task.cancelled():
        task.exception()
