"""A TCP proxy on this computer that is as bad as networks are: slow, one-sided, silent, refusing, cut off anywhere."""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, Self

from tests.bench_tools.ports import free_port

Way = Literal["there", "back"]
"""Towards the server, or from it."""

_CHUNK = 4096


@dataclass(frozen=True)
class Cut:
    """The connection ends after so many bytes one way, with a reset or in peace."""

    after: int
    way: Way = "there"
    reset: bool = True


@dataclass(frozen=True)
class Mute:
    """The connection is accepted, and that is all that is ever heard of it."""


@dataclass(frozen=True)
class OneWay:
    """Bytes get through this way and no other."""

    way: Way


Fate = Cut | Mute | OneWay | None


class Proxy:
    """Listens at `port` and passes everything on to port `behind`; at its end every connection is reset.

    `fates` are what becomes of the next connections, None for nothing; `delay_s`, `jitter_s` and `bytes_per_s` are of
    every piece of at most 4 KiB, either way, and may be set at any time.
    """

    def __init__(self, behind: int) -> None:
        self.port = free_port()
        self.fates: deque[Fate] = deque()
        self.delay_s = self.jitter_s = 0.0
        self.bytes_per_s = float("inf")
        self.connections = 0
        self.cuts = 0
        self._behind = behind
        self._chance = random.Random(behind)
        self._lock = threading.Lock()
        self._open: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._listening: socket.socket | None = None
        self._ended = threading.Event()
        self._through = threading.Event()
        self._through.set()

    def __enter__(self) -> Self:
        self._listen()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._through.set()
        self._hang_up()
        for thread in self._threads:
            thread.join()

    @contextlib.contextmanager
    def refusing(self) -> Iterator[None]:
        """Refuse connections for the time of the block, and reset those that there are."""
        self._hang_up()
        try:
            yield
        finally:
            self._listen()

    @contextlib.contextmanager
    def vanished(self) -> Iterator[None]:
        """Let no byte through for the time of the block, without a word; afterwards old connections are reset."""
        self._through.clear()
        try:
            yield
        finally:
            self._reset_all()
            self._through.set()

    def _listen(self) -> None:
        listening = socket.create_server(("127.0.0.1", self.port))
        self._listening = listening
        self._start(self._accept, listening)

    def _hang_up(self) -> None:
        listening, self._listening = self._listening, None
        if listening is not None:
            with contextlib.suppress(OSError):
                listening.shutdown(socket.SHUT_RDWR)  # ends the accept; its thread closes it
        self._reset_all()

    def _reset_all(self) -> None:
        with self._lock:
            for each in self._open:
                _reset(each)

    def _start(self, run: object, *arguments: object) -> None:
        thread = threading.Thread(target=run, args=arguments, name="proxy")  # type: ignore[arg-type]
        self._threads.append(thread)
        thread.start()

    def _accept(self, listening: socket.socket) -> None:
        with listening:
            while True:
                try:
                    near, _ = listening.accept()
                except OSError:
                    return
                self._start(self._serve, near)

    def _serve(self, near: socket.socket) -> None:
        """Pass on one connection, this way in this thread and that way in another, until both ways have ended."""
        self._through.wait()
        with self._lock:
            self.connections += 1
            fate = self.fates.popleft() if self.fates else None
        with near, contextlib.ExitStack() as held:
            held.enter_context(self._watched(near))
            if isinstance(fate, Mute):
                with contextlib.suppress(OSError):
                    while near.recv(_CHUNK):
                        pass
                return
            try:
                far = held.enter_context(socket.create_connection(("127.0.0.1", self._behind)))
            except OSError:
                _reset(near)
                return
            held.enter_context(self._watched(far))
            back = threading.Thread(target=self._pump, args=(far, near, "back", fate), name="proxy")
            back.start()
            self._pump(near, far, "there", fate)
            back.join()

    @contextlib.contextmanager
    def _watched(self, each: socket.socket) -> Iterator[None]:
        with self._lock:
            self._open.add(each)
            if self._ended.is_set():
                _reset(each)
        try:
            yield
        finally:
            with self._lock:
                self._open.discard(each)

    def _pump(self, source: socket.socket, sink: socket.socket, way: Way, fate: Fate) -> None:
        left = fate.after if isinstance(fate, Cut) and fate.way == way else None
        try:
            while data := source.recv(_CHUNK):
                pause_s = self.delay_s + self._chance.uniform(0, self.jitter_s) + len(data) / self.bytes_per_s
                if pause_s:
                    self._ended.wait(pause_s)
                self._through.wait()
                if isinstance(fate, OneWay) and fate.way != way:
                    continue
                if left is not None and len(data) >= left:
                    sink.sendall(data[:left])
                    self.cuts += 1
                    for each in (source, sink):
                        _reset(each) if fate.reset else each.shutdown(socket.SHUT_RDWR)  # type: ignore[union-attr]
                    return
                left = None if left is None else left - len(data)
                sink.sendall(data)
            sink.shutdown(socket.SHUT_WR)
        except OSError:
            for each in (source, sink):
                _reset(each)


def _reset(each: socket.socket) -> None:
    """Have a connection end with RST when it is closed, and end what waits for it now."""
    with contextlib.suppress(OSError):
        each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        each.shutdown(socket.SHUT_RD)
