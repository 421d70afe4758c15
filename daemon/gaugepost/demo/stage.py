"""The stage: what the story's person can do, say and see. Everything shown is what the running daemon published."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import TextIO

from gaugepost.commands.talk import Document, Service
from gaugepost.commands.view import Style, lines
from gaugepost.commands.view.style import BOLD, clean, painted, wrapped
from gaugepost.commands.watch import Feed
from gaugepost.core.errors import GaugepostError, Unreachable
from gaugepost.demo.process import Daemon

ANSWER_S = 15.0
"""How long the daemon may take to publish what a frame made; it takes milliseconds."""

Published = Mapping[str, object]


class StoryBroken(GaugepostError):
    """Something did not go as the story has it, so that it can't go on."""


class Stage:
    """One person at the bench: commands over REST, narration, and every record in the terminal view."""

    def __init__(self, daemon: Daemon, out: TextIO, style: Style, pace: float) -> None:
        self._daemon, self._service = daemon, Service(daemon.address)
        self.seen: list[Published] = []
        self.wrong: list[str] = []
        """What went otherwise than the story has it, in words."""
        self._feed = Feed(self._service)
        self._awaited = 0
        self._out, self._style, self._pace = out, style, pace

    def say(self, text: str) -> None:
        """Tell what happens next."""
        print(file=self._out)
        for line in wrapped(clean(f"-- {text}", self._style), 3, self._style):
            print(painted(line, BOLD, self._style), file=self._out, flush=True)

    def pause(self, seconds: float) -> None:
        """Take the time that a hand takes, at the chosen pace; show what happens meanwhile."""
        deadline = time.monotonic() + seconds * self._pace
        while (left := deadline - time.monotonic()) > 0:
            self._see(min(left, 1.0))
            time.sleep(min(0.01, max(0.0, deadline - time.monotonic())))

    def command(self, method: str, path: str, body: Document) -> None:
        """Command something over REST, as the bench page or any program would. Raises `StoryBroken` where refused."""
        try:
            self._service.send(method, f"/v1/{path}", body)
        except GaugepostError as error:
            raise self._broken(f"{method} /v1/{path} was not carried out: {error}") from error

    def await_record(self, kind: str, **fields: object) -> Published:
        """Return the next record of this kind with these fields, showing all that come before it.

        Raises:
            StoryBroken: it does not come, or the daemon ended.
        """
        deadline = time.monotonic() + ANSWER_S
        while True:
            while self._awaited < len(self.seen):
                record = self.seen[self._awaited]
                self._awaited += 1
                if record["kind"] == kind and all(
                    record.get(name) == value for name, value in fields.items()
                ):
                    return record
            if time.monotonic() > deadline:
                wanted = "".join(f", {name} {value}" for name, value in fields.items())
                raise self._broken(f"no record came of kind {kind}{wanted}")
            self._see(1.0)

    def _see(self, wait_s: float) -> None:
        try:
            records = self._feed.page(wait_s)
        except Unreachable as error:
            raise self._broken(error.finding) from error
        for record in records:
            self.seen.append(record)
            print(*lines(record, self._style), sep="\n", file=self._out, flush=True)

    def _broken(self, finding: str) -> StoryBroken:
        ended = self._daemon.ended()
        if ended is not None:
            finding = f"{finding}; the daemon ended with exit code {ended}"
        return StoryBroken(finding, hint=f"its log is {self._daemon.log}")
