"""Looking ahead now and then, so that a check is told before it is due and when it is, though no frame comes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import tzinfo

from gaugepost.core.bench.events import LookAhead
from gaugepost.core.indication import Moment
from gaugepost.shell.recorder import Recorder

EVERY_S = 2.0


async def look_ahead(recorder: Recorder, zone: tzinfo, now: Callable[[], Moment]) -> None:
    """Look until cancelled. While nothing is recorded nobody looks: it is looked again soon enough."""
    while True:
        if recorder.recording and not recorder.held:
            recorder.tell(LookAhead(zone), now())
        await asyncio.sleep(EVERY_S)
