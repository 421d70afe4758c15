"""What intake does with bytes that a link says can't be what the gauge sent."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from gaugepost.contract import BadFrame, Chunk, Indication, LinkLost, Moment
from gaugepost.core.bench.events import Arrived
from gaugepost.shell.intake import Intake
from gaugepost_adapters.decoders.delimited_text import DelimitedText

NOW = Moment(0, 0, "boot")


class _Says:
    """A link that says its chunks and is then lost."""

    def __init__(self, *chunks: Chunk) -> None:
        self._chunks = chunks

    async def open(self) -> None:
        """Nothing to open."""

    async def chunks(self) -> AsyncIterator[Chunk]:
        for chunk in self._chunks:
            yield chunk
        raise LinkLost("said it all", hint="listen")

    async def close(self) -> None:
        """Nothing to close."""

    def describe(self) -> str:
        return "a list"


class _Recorder:
    def __init__(self) -> None:
        self.told: list[object] = []
        self.ended = asyncio.Event()

    def tell(self, event: object, now: Moment, kept: object = None) -> None:
        if isinstance(event, Arrived):
            self.told.append(event.decoded)
        elif type(event).__name__ == "LinkDown":
            self.ended.set()


@pytest.mark.asyncio
async def test_bytes_with_a_fault_reach_no_decoder() -> None:
    """A chunk with a fault is a bad frame with that reason, the half frame before it another, and no number is made."""
    decoder = DelimitedText(DelimitedText.Settings.model_validate({"pattern": "{value}", "unit": "mm"}))
    chunks = (Chunk(b"1", NOW), Chunk(b"2.5\r\n", NOW, fault="keys were lost"), Chunk(b"3.25\r\n", NOW))
    recorder = _Recorder()
    intake = Intake("a", lambda: _Says(*chunks), decoder, recorder, lambda: NOW)  # type: ignore[arg-type, return-value]
    running = asyncio.create_task(intake.run())
    async with asyncio.timeout(60):
        await recorder.ended.wait()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    half, faulty, good = recorder.told[:3]
    assert isinstance(half, BadFrame) and half.raw == b"1"
    assert faulty == BadFrame("keys were lost", b"2.5\r\n")
    assert isinstance(good, Indication) and good.text == "3.25"
