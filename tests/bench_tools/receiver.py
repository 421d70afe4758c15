"""A real HTTP server on this computer that takes records, for tests of what sends them.

It answers by script where it has one and by itself otherwise, remembers Idempotency-Keys as the IETF draft asks for
(a repeat gets the first answer and is not taken again; another payload under an old key is answered 422), and keeps an
account of everything that reached it. Requests are read by the standard library's server, not by what is tested.
"""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import socket
import ssl
import struct
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self

Record = dict[str, Any]


@dataclass(frozen=True)
class Says:
    """Answer this, without a look at the records."""

    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""


@dataclass(frozen=True)
class Stalls:
    """Say nothing until the client is gone or `release` is called; with `takes`, the records are taken before."""

    takes: bool = False


@dataclass(frozen=True)
class Resets:
    """Take the records where `takes`, send the first `sent` bytes of the answer, and reset the connection."""

    takes: bool = True
    sent: int = 0


@dataclass(frozen=True)
class Drips:
    """Take nothing and answer a header line each `every_s`; a client that waits for `lines` of them waits for ever."""

    every_s: float = 0.02
    lines: int = 1000


@dataclass(frozen=True)
class Blurts:
    """Take nothing, send exactly these bytes, and close the connection."""

    data: bytes


Act = Says | Stalls | Resets | Drips | Blurts


@dataclass(frozen=True)
class Request:
    """One request that came in whole."""

    connection: int
    method: str
    path: str
    headers: Mapping[str, str]
    """By lower-case name."""
    body: bytes
    """As it was before compression."""
    raw: bytes
    """As it came."""
    records: list[Record]
    names: list[str]
    """Every header's name, in lower case, as often as it came."""

    @property
    def key(self) -> str:
        """Its Idempotency-Key."""
        return self.headers["idempotency-key"]

    @property
    def sequences(self) -> list[int]:
        """The sequences of its records."""
        return [record["sequence"] for record in self.records]


@dataclass(frozen=True)
class _Answer:
    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b"{}"

    def encoded(self) -> bytes:
        try:
            phrase = HTTPStatus(self.status).phrase
        except ValueError:
            phrase = "Odd"
        head = {"Content-Type": "application/json", "Content-Length": str(len(self.body)), **self.headers}
        lines = [f"HTTP/1.1 {self.status} {phrase}", *(f"{name}: {value}" for name, value in head.items())]
        return "\r\n".join([*lines, "", ""]).encode("latin-1") + self.body


class Receiver:
    """The server. Used as a context manager it listens; what it took and heard is kept when it is cut off."""

    def __init__(
        self,
        *,
        refuses: Callable[[Record], int] = lambda record: 0,
        most_records: int = 10**9,
        most_bytes: int = 10**9,
        tls: ssl.SSLContext | None = None,
        remembers: bool = True,
    ) -> None:
        """`refuses` returns the status a record is refused with, or 0; more than `most_…` at once is a 413."""
        self.script: deque[Act | None] = deque()
        """What to do with the next requests; None, and nothing, is to answer as this far side does."""
        self.requests: list[Request] = []
        self.taken: list[Record] = []
        """Every record in the order in which it was taken, as often as it was."""
        self.connections = 0
        self.repeats = 0
        """Requests whose key had been answered before."""
        self.mismatches = 0
        """Requests whose key had been used for other records."""
        self._refuses = refuses
        self._most_records, self._most_bytes = most_records, most_bytes
        self._tls = tls
        self._remembers = remembers
        self._known: dict[str, tuple[bytes, _Answer]] = {}
        self._lock = threading.RLock()
        self._change = threading.Condition(self._lock)
        self._release = threading.Event()
        self._open: set[socket.socket] = set()
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None
        self.port = 0

    @property
    def url(self) -> str:
        """Address to send to."""
        return f"{'https' if self._tls else 'http'}://localhost:{self.port}/records"

    @property
    def ids(self) -> list[str]:
        """Ids of what was taken, in order."""
        with self._lock:
            return [record["id"] for record in self.taken]

    def __enter__(self) -> Self:
        self._listen()
        return self

    def __exit__(self, *_: object) -> None:
        self._hang_up()

    @contextlib.contextmanager
    def cut_off(self) -> Iterator[None]:
        """Refuse connections for the time of the block, then listen at the same address again."""
        self._hang_up()
        try:
            yield
        finally:
            self._listen()

    def release(self) -> None:
        """Let whatever stalls now close its connection."""
        with self._lock:
            self._release.set()
            self._release = threading.Event()

    def wait(self, condition: Callable[[], bool], timeout_s: float = 60.0) -> None:
        """Wait until `condition` of what came in holds; the time bounds a failure only."""
        with self._change:
            assert self._change.wait_for(condition, timeout_s), f"{len(self.requests)} requests, and no more"

    def _listen(self) -> None:
        server = self._server = _Server(("127.0.0.1", self.port), _Handler, self)
        self.port = server.server_address[1]
        self._thread = threading.Thread(target=server.serve_forever, args=(0.02,), name="receiver")
        self._thread.start()

    def _hang_up(self) -> None:
        server, thread = self._server, self._thread
        self._server = self._thread = None
        if server is None or thread is None:
            return
        server.shutdown()
        thread.join()
        self.release()
        with self._lock:
            for connection in self._open:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
        server.server_close()  # waits for the connections' threads

    def accepted(self, connection: socket.socket) -> tuple[int, socket.socket]:
        """Count a connection, and wrap it where it is to be wrapped."""
        with self._lock:
            self.connections += 1
            number = self.connections
        if self._tls is not None:
            connection.settimeout(10)
            connection = self._tls.wrap_socket(connection, server_side=True)
            connection.settimeout(None)
        with self._lock:
            self._open.add(connection)
        return number, connection

    def gone(self, connection: socket.socket) -> None:
        """Forget a connection."""
        with self._lock:
            self._open.discard(connection)

    def answer(self, request: Request, connection: socket.socket) -> bool:
        """Do what is to be done with a request; return whether the connection may go on."""
        with self._change:
            self.requests.append(request)
            act = self.script.popleft() if self.script else None
            takes = act is None or (isinstance(act, Stalls | Resets) and act.takes)
            answer = self._judged(request) if takes else _Answer(503)
            released = self._release
            if self._server is None:  # hung up meanwhile
                released.set()
            self._change.notify_all()
        match act:
            case Says(status, headers, body):
                connection.sendall(_Answer(status, headers, body).encoded())
            case Stalls():
                released.wait()
                return False
            case Resets(_, sent):
                connection.sendall(answer.encoded()[:sent])
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                return False
            case Drips(every_s, lines):
                connection.sendall(b"HTTP/1.1 200 OK\r\n")
                for _ in range(lines):
                    if released.wait(every_s):
                        break
                    connection.sendall(b"X-Drip: 1\r\n")
                return False
            case Blurts(data):
                connection.sendall(data)
                return False
            case None:
                connection.sendall(answer.encoded())
        return True

    def _judged(self, request: Request) -> _Answer:
        payload = hashlib.sha256(request.body).digest()
        if self._remembers and request.key in self._known:
            self.repeats += 1
            before, answer = self._known[request.key]
            if before == payload:
                return answer
            self.mismatches += 1
            return _Answer(422, body=b'{"title": "the key was used for other records"}')
        answer = self._fresh(request)
        self._known[request.key] = (payload, answer)
        return answer

    def _fresh(self, request: Request) -> _Answer:
        if len(request.records) > self._most_records or len(request.body) > self._most_bytes:
            return _Answer(413, body=b"too large")
        for record in request.records:
            if status := self._refuses(record):
                body = {"title": "refused", "record": record["id"]}
                return _Answer(status, body=json.dumps(body).encode())
        self.taken += request.records
        return _Answer(200, body=json.dumps({"taken": len(request.records)}).encode())


class _Server(ThreadingHTTPServer):
    daemon_threads = False
    block_on_close = True
    allow_reuse_address = True

    def __init__(
        self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler], receiver: Receiver
    ) -> None:
        self.receiver = receiver
        super().__init__(address, handler)

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that breaks off, or a certificate it does not like, is what many tests are about."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Server

    def setup(self) -> None:
        self.number, self.request = self.server.receiver.accepted(self.request)
        super().setup()

    def finish(self) -> None:
        self.server.receiver.gone(self.request)
        with contextlib.suppress(OSError):
            super().finish()
        # What shutdown_request closes is the socket as accepted; with TLS that one was handed over.
        self.request.close()

    def _take(self) -> None:
        body = raw = self.rfile.read(int(self.headers["Content-Length"]))
        if self.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        content = json.loads(body)
        records = content if isinstance(content, list) else content["records"]
        headers = {name.lower(): value for name, value in self.headers.items()}
        names = [name.lower() for name in self.headers]
        request = Request(self.number, self.command, self.path, headers, body, raw, records, names)
        if not self.server.receiver.answer(request, self.request):
            self.close_connection = True

    do_POST = _take  # noqa: N815 - the standard library's name
    do_PUT = _take  # noqa: N815

    def log_message(self, *_: object) -> None:
        """Tests look at the account."""
