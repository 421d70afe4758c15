"""Somebody at a desk who types what a document says, in its order, in a shell of a real computer."""

from __future__ import annotations

import itertools
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Self

from tests.bench_tools.daemon import Daemon, Port
from tests.bench_tools.ports import free_port
from tests.docs.documents import ROOT, blocks
from tests.docs.elsewhere import NOT_TYPED
from tests.docs.words import told

PATIENCE_S = 60.0
"""Bounds a failure; nothing passes or fails by it otherwise."""

AT_WORK_S = 1200.0
"""How long a program that goes on may do so: longer than everything that is typed beside it."""

APART_S = 0.4
"""So long a gauge that shows the same again waits: sooner it would be one send, doubled (300 ms unless said)."""

GAUGE = "/dev/ttyUSB0"
"""Where the documents' gauge is plugged in."""
AT = "http://127.0.0.1:8620"
"""Where the documents' service listens."""


class Desk:
    """A folder, a gauge on a pseudo-terminal, and a shell that finds our programs as an installed one would.

    `places` says what stands here for what a document names: paths, addresses, words in capitals.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "desk"
        self.folder.mkdir()
        self.gauge = Port()
        self._shown, self._shown_at = b"", 0.0
        self.port = free_port()
        self.places = {GAUGE: self.gauge.path, AT: f"http://127.0.0.1:{self.port}"}
        self.service: Daemon | None = None
        self._left_running = ExitStack()
        programs = folder / "bin"
        programs.mkdir()
        for name, words in (("gaugepost", "-m gaugepost "), ("python", "")):
            program = programs / name
            program.write_text(f'#!/bin/sh\nexec {sys.executable} {words}"$@"\n')
            program.chmod(0o755)
        self.env = {
            **os.environ,
            "PATH": f"{programs}:{os.environ['PATH']}",
            "PYTHONPATH": f"{ROOT / 'daemon'}:{ROOT / 'adapters'}",
            "GAUGEPOST_AT": self.places[AT],
            "COLUMNS": "120",
        }
        self.env.pop("GAUGEPOST_TOKEN", None)

    def here(self, text: str) -> str:
        """Return `text` with what stands here for what it names."""
        for named in sorted(self.places, key=len, reverse=True):
            place = self.places[named].replace("\\", r"\\")
            text = re.sub(rf"(?<![\w.]){re.escape(named)}(?!\w)", place, text)
        return text

    def writes(self, text: str, name: str = "station.toml") -> Path:
        """Write a station file whose service listens at this desk's address."""
        file = self.folder / name
        file.write_text(self.here(text) + f"\n[service]\nport = {self.port}\n", encoding="utf-8")
        return file

    def adds(self, text: str, name: str = "station.toml") -> None:
        """Write `text` at the end of the station file."""
        with (self.folder / name).open("a", encoding="utf-8") as file:
            file.write(f"\n{self.here(text)}")

    def types(self, text: str, *, says: str = "", code: int = 0) -> str:
        """Type a line, and `says` at what it asks; return what is printed. Fails where it ends with another code."""
        done = subprocess.run(
            ["bash", "-c", self.here(text)],
            cwd=self.folder,
            env=self.env,
            input=says,
            capture_output=True,
            text=True,
            timeout=2 * PATIENCE_S,
            check=False,
        )
        assert done.returncode == code, f"{text}\n{done.returncode}: {done.stdout}{done.stderr}"
        return done.stdout + done.stderr

    @contextmanager
    def at_work(self, text: str) -> Iterator[subprocess.Popen[str]]:
        """Type a line of what goes on until it is ended, and have it go on for the block."""
        with subprocess.Popen(
            ["bash", "-c", f"exec {self.here(text)}"],
            cwd=self.folder,
            env=self.env,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            bufsize=1,
        ) as process:
            bound = threading.Timer(AT_WORK_S, process.kill)
            bound.start()
            try:
                yield process
            finally:
                process.kill()
                bound.cancel()
                bound.join()

    @staticmethod
    def hears(process: subprocess.Popen[str], word: str) -> str:
        """Read what a program prints until `word` is in a line; return that line."""
        assert process.stdout is not None
        heard = []
        for line in process.stdout:
            if word in line:
                return line
            heard.append(line)
        raise AssertionError(f"it never said {word!r}: {''.join(heard)}")

    @contextmanager
    def running(self, text: str = "gaugepost run station.toml") -> Iterator[Daemon]:
        """Have the service run for the block, begun by the words of the document."""
        with self.at_work(text) as process:
            self.hears(process, "listening on ")
            self.service = Daemon(self.folder, "", address=self.places[AT])
            try:
                yield self.service
            finally:
                self.service = None
                process.terminate()
                process.communicate(timeout=PATIENCE_S)

    def leaves_running(self, text: str = "gaugepost run station.toml") -> None:
        """Start the service, by the words of the document; it runs until `stops`."""
        self._left_running.enter_context(self.running(text))

    def stops(self) -> None:
        """Stop the service, if it runs."""
        self._left_running.close()

    def looks_on(self, text: str, word: str, meanwhile: Callable[[], object]) -> str:
        """Type a line that shows what happens until Ctrl-C, do something, and return the line with `word` in it."""
        with self.at_work(text) as process:
            done = threading.Event()

            def again() -> None:
                # What shows from now on only has to be told after it began to look.
                while not done.is_set():
                    meanwhile()
                    done.wait(1)

            doing = threading.Thread(target=again)
            doing.start()
            try:
                line = self.hears(process, word)
            finally:
                done.set()
                doing.join()
            process.send_signal(signal.SIGINT)
            process.communicate(timeout=PATIENCE_S)
        return line

    def shows(self, frame: bytes) -> None:
        """Have the gauge send; the same again no sooner than a hand squeezes twice."""
        if frame == self._shown:
            time.sleep(max(0.0, self._shown_at + APART_S - time.monotonic()))
        self.gauge.send(frame)
        self._shown, self._shown_at = frame, time.monotonic()

    def measures(self, *digits: str) -> None:
        """Have the gauge send values in mm, each once the one before is on record."""
        assert self.service is not None
        for each in digits:
            after = self.service.get("/station")["head"]
            self.shows(f"{each} mm\r\n".encode())
            self.service.wait_for(1, after=after, kind="reading")

    def follows(self, text: str) -> str:
        """Type a line that waits for ring-38, and have the gauge read it as often as that says."""
        until(self._is_connected, "a gauge that is connected: what it sends before is lost")
        shown = itertools.cycle((b"38.0012 mm\r\n", b"38.0013 mm\r\n"))
        with self.at_work(text) as process:
            assert process.stdout is not None
            said: list[str] = []
            for line in process.stdout:
                said.append(line)
                if len(said) == 1 or re.search(r"reading (\d+) of (?!\1)", line):
                    self.shows(next(shown))
            assert process.wait(PATIENCE_S) == 0, "".join(said)
        return "".join(said)

    def _is_connected(self) -> bool:
        assert self.service is not None
        links = self.service.get("/links").get("links", ())
        return self.service.status != 200 or any(each["state"] == "connected" for each in links)

    def is_mastered(self) -> None:
        """Have the gauge mastered and checked on ring-38, as the first five minutes say."""
        (block,) = [each for each in blocks("README.md") if "bench master" in each.text]
        master, check, tags = block.text.splitlines()
        self.follows(master)
        self.follows(check)
        self.types(tags)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stops()
        self.gauge.close()


def first_station() -> str:
    """Return the station file that the README has a reader write."""
    return next(block.text for block in blocks("README.md") if block.language == "toml")


How = Mapping[str, Callable[[str], object]]
"""What a command needs besides being typed, by how it begins; the longest that fits counts."""


def walk(desk: Desk, document: str, *headings: str, how: How) -> None:
    """Type everything that sections of a document say to type, in their order; what `how` has not is typed as it is."""
    used = set()
    for command in told(document):
        if command.heading not in headings or command.text in NOT_TYPED:
            continue
        begins = max((each for each in how if command.text.startswith(each)), key=len, default=None)
        if begins is None:
            desk.types(command.text)
        else:
            used.add(begins)
            how[begins](command.text)
    assert used == set(how), f"no longer in {document}: {set(how) - used}"


def until(true: Callable[[], object], what: str) -> None:
    """Wait until `true`; fail where it never gets so."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"never: {what}"
        time.sleep(0.05)
