"""A real MQTT broker (mosquitto) as a subprocess, to be killed, frozen and started again; certificates; a subscriber.

The subscriber is mosquitto's own, in a process of its own: what it shows has gone through no code of ours or of the
library that publishes.
"""

from __future__ import annotations

import datetime
import json
import re
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import trustme

from tests.bench_tools.ports import free_port

PATIENCE_S = 30.0
"""Bounds a failure; nothing passes or fails by it otherwise."""


OPEN = ("allow_anonymous true", "max_inflight_messages 0", "max_queued_messages 0")
"""Lets everybody in, and passes everything on at once: what it has acknowledged, subscribers have been sent."""


@dataclass
class Broker:
    """mosquitto on a port of its own that stays the same over restarts. `lines` are more lines of its configuration."""

    folder: Path
    lines: tuple[str, ...] = OPEN
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def start(self, *more: str) -> Self:
        """Start it, with `more` lines for now, and wait until it takes connections and signals."""
        file = self._write(*more)
        with (self.folder / "mosquitto.log").open("ab") as log:
            began = log.tell()
            self.process = subprocess.Popen(["mosquitto", "-c", str(file)], stdout=log, stderr=log)
        until(lambda: self._runs(began), "the broker runs")
        return self

    def settle(self) -> None:
        """Have it go on without the lines that were for now."""
        assert self.process is not None
        self._write()
        self.process.send_signal(signal.SIGHUP)

    def _write(self, *more: str) -> Path:
        file = self.folder / "mosquitto.conf"
        # As root it would become a user who can't read the test's folder.
        own = [
            f"listener {self.port} 127.0.0.1",
            "user root",
            "persistence false",
            "log_type error",
            "log_type notice",
            "log_type information",
        ]
        file.write_text("\n".join([*own, *self.lines, *more, ""]))
        return file

    def _runs(self, began: int) -> bool:
        """Whether it says so after `began` bytes of its log: its port listens before it has read its certificates."""
        assert self.process is not None
        assert self.process.poll() is None, self.log()
        said = (self.folder / "mosquitto.log").read_bytes()[began:]
        return re.search(rb"mosquitto version \S+ running\n", said) is not None

    def log(self) -> str:
        """What it wrote to its log so far."""
        return (self.folder / "mosquitto.log").read_text(errors="replace")

    def kill(self) -> None:
        """SIGKILL, at once; what it held is gone."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        self.process = None

    def stop(self) -> None:
        """SIGTERM, and wait."""
        assert self.process is not None
        self.process.terminate()
        self.process.wait(PATIENCE_S)
        self.process = None

    @contextmanager
    def frozen(self) -> Iterator[None]:
        """Have it do nothing for the time of the block; its connections stay open."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self.process.send_signal(signal.SIGCONT)

    @contextmanager
    def away(self) -> Iterator[None]:
        """Have it killed for the time of the block."""
        self.kill()
        try:
            yield
        finally:
            self.start()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGCONT)
            self.kill()


@dataclass(frozen=True)
class Heard:
    """One message as a subscriber got it."""

    topic: str
    payload: bytes
    retained: bool
    qos: int
    properties: dict[str, Any]

    @property
    def json(self) -> dict[str, Any]:
        """The payload."""
        found: dict[str, Any] = json.loads(self.payload)
        return found


class Subscriber:
    """mosquitto_sub on one filter, with MQTT 5, at QoS 1. It has subscribed when it is made; `heard` is what came.

    It comes back by itself after the broker was away, and then `subscriptions` is one more.
    """

    def __init__(self, broker: Broker, topic: str = "#", *arguments: str) -> None:
        # A tab is in no topic and in none of our properties; other lines are the program's own.
        form = r"\t%t\t%r\t%q\t%x\t%C\t%E\t%P"
        address = ("-h", "127.0.0.1", "-p", str(broker.port), "-V", "5")
        self._process = subprocess.Popen(
            # stdbuf: it would keep what it heard to itself until there is more of it.
            [
                "stdbuf",
                "-oL",
                "mosquitto_sub",
                *address,
                *["-q", "1", "-d", "-t", "marker", "-t"],
                topic,
                "-F",
                form,
                *arguments,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self._publish = ["mosquitto_pub", *address, "-q", "1"]
        self._subscribed = threading.Event()
        self.subscriptions = 0
        self.heard: list[Heard] = []
        self._thread = threading.Thread(target=self._read)
        self._thread.start()
        if not self._subscribed.wait(PATIENCE_S):
            self.close()
            raise AssertionError("the subscriber did not get through")

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.startswith("Subscribed"):
                self.subscriptions += 1
                self._subscribed.set()
            if line.startswith("\t"):
                _, topic, retained, qos, payload, kind, expiry, users = line.rstrip("\n").split("\t")
                properties = dict(pair.split(":", 1) for pair in users.split())
                if kind:
                    properties["content type"] = kind
                if expiry:
                    properties["expiry"] = expiry
                content = bytes.fromhex(payload)
                self.heard.append(Heard(topic, content, retained == "1", int(qos), properties))

    def settled(self) -> list[Heard]:
        """Return what has come when everything that the broker took before now has come."""
        marker = f"{time.monotonic_ns()}".encode()
        subprocess.run([*self._publish, "-t", "marker", "-m", marker], check=True, timeout=PATIENCE_S)
        until(lambda: any(each.payload == marker for each in reversed(self.heard)), "the marker comes back")
        return [each for each in self.heard if each.topic != "marker"]

    def close(self) -> None:
        """End it; `heard` stays."""
        self._process.kill()  # asked to go while it is in its library's lock, it waits for itself for ever
        self._thread.join()
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True)
class Certificates:
    """Certificates in files, made for one test: an authority, a broker's, a station's, and some that are no good."""

    folder: Path
    authority: trustme.CA = field(default_factory=trustme.CA)
    stranger: trustme.CA = field(default_factory=trustme.CA)

    def __post_init__(self) -> None:
        """Write the authority's certificate: once, because a broker that is just starting reads it."""
        self.authority.cert_pem.write_to_path(self.ca_file)

    @property
    def ca_file(self) -> str:
        """The file with the authority's certificate."""
        return self._path("ca.pem")

    def broker(
        self, name: str = "localhost", *, expired: bool = False, stranger: bool = False, clients: bool = False
    ) -> tuple[str, ...]:
        """Return lines for a broker with a certificate for `name`; `clients`: who connects must show one too."""
        authority = self.stranger if stranger else self.authority
        end = datetime.datetime.now(datetime.UTC) - datetime.timedelta(days=1) if expired else None
        certificate = authority.issue_cert(name, not_after=end)
        certificate.private_key_pem.write_to_path(self._path("broker.key"))
        certificate.cert_chain_pems[0].write_to_path(self._path("broker.pem"))
        return (
            "allow_anonymous true",
            f"certfile {self._path('broker.pem')}",
            f"keyfile {self._path('broker.key')}",
            f"cafile {self.ca_file}",
            f"require_certificate {'true' if clients else 'false'}",
        )

    def station(self) -> tuple[str, str]:
        """Return the files with a certificate and a key for the station."""
        certificate = self.authority.issue_cert("bench-1.example")
        certificate.private_key_pem.write_to_path(self._path("station.key"))
        certificate.cert_chain_pems[0].write_to_path(self._path("station.pem"))
        return self._path("station.pem"), self._path("station.key")

    def _path(self, name: str) -> str:
        return str(self.folder / name)


def until(true: Callable[[], bool], what: str) -> None:
    """Wait until `true`; fail where it never gets so."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"never: {what}"
        time.sleep(0.01)
