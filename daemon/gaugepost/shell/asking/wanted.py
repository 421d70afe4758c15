"""Asking gauges for their value when a trigger wanted it, once that is on disk."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from gaugepost.core.bench.events import NotAsked
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.shell.intake import Intake
from gaugepost.shell.recorder import Recorder

LATEST_MS = 2000
"""How long after the trigger a gauge is still asked: later, somebody has taken their hand off it."""


async def ask_when_wanted(
    recorder: Recorder, by_link: Mapping[str, Intake], now: Callable[[], Moment]
) -> None:
    """Ask each gauge that the recorder says is to be asked, until cancelled; one that can't be is recorded.

    `by_link` may change meanwhile.
    """

    async def ask(gauge: str, since: Moment) -> None:
        late_ms = now().clock_ms - since.clock_ms
        entry = recorder.state.set_up.gauges[gauge]
        if late_ms > LATEST_MS:
            recorder.tell(
                NotAsked(gauge, f"not asked: it would have been {late_ms} ms after the trigger"), now()
            )
            return
        try:
            await by_link[entry.link].request(entry.channel)
        except CommandRefused as refused:
            recorder.tell(NotAsked(gauge, str(refused)), now())

    async with asyncio.TaskGroup() as asking:
        while True:
            asking.create_task(ask(*await recorder.requests.get()))
