"""A link that is away is connected with pauses; somebody who wants its gauge ends them."""

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Any, cast

import pytest

from gaugepost.contract import Chunk, LinkLost, Moment
from gaugepost.shell import intake as intakes
from gaugepost.shell.intake import Intake
from gaugepost.shell.lessons.listening import Listening
from gaugepost_adapters.decoders.delimited_text import DelimitedText

pytestmark = pytest.mark.asyncio
NOW = Moment(0, 0, "boot")


class _Away:
    """A link that can't be opened; `waits` has the next ones look for as long as nobody seeks."""

    opened = sought = 0
    waits = False

    def __init__(self) -> None:
        self._seek = asyncio.Event()

    async def open(self) -> None:
        type(self).opened += 1
        if self.waits:
            await self._seek.wait()
        raise LinkLost("away", hint="bring it near")

    def chunks(self) -> AsyncIterator[Chunk]:
        raise AssertionError("it was never open")

    def seek(self) -> None:
        type(self).sought += 1
        self._seek.set()

    async def close(self) -> None:
        """Nothing to close."""

    def describe(self) -> str:
        return "somewhere"


async def test_a_lesson_has_its_gauge_sought_at_once() -> None:
    """Somebody who is about to teach a gauge waits for it."""

    class Away(_Away):
        pass

    with pytest.raises(LinkLost, match="away"):
        await Listening(cast(Any, Away), lambda told: None).open()
    assert (Away.opened, Away.sought) == (1, 1)


class _Recorder:
    def tell(self, event: object, now: Moment, kept: object = None) -> None:
        """A link that is never connected tells nothing."""


async def until(true: Callable[[], bool]) -> None:
    """Let everything else go on until `true`."""
    async with asyncio.timeout(60):
        while not true():  # noqa: ASYNC110 - no event for it
            await asyncio.sleep(0)


@pytest.mark.parametrize("waits", [False, True])
async def test_a_link_is_sought_at_once(monkeypatch: pytest.MonkeyPatch, waits: bool) -> None:
    """Between two attempts the next begins at once, and looks at once; an attempt that pauses by itself is told."""
    monkeypatch.setattr(intakes, "FIRST_PAUSE_S", 3600.0)
    monkeypatch.setattr(intakes, "LONGEST_PAUSE_S", 3600.0)

    class Away(_Away):
        pass

    Away.waits = waits
    decoder = DelimitedText(DelimitedText.Settings.model_validate({"pattern": "{value}", "unit": "mm"}))
    intake = Intake("a", cast(Any, Away), decoder, cast(Any, _Recorder()), lambda: NOW)
    running = asyncio.create_task(intake.run())
    await until(lambda: Away.opened == 1 and (waits or intake.status().state == "lost"))
    for _ in range(50):
        await asyncio.sleep(0)
    assert (Away.opened, Away.sought) == (1, 0)
    intake.seek()
    await until(lambda: (Away.opened, Away.sought) == ((1, 1) if waits else (2, 1)))
    await until(lambda: intake.status().state == "lost")
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
