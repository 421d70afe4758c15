"""A broker for the demo: one that was named, or the one that happens to run on this computer."""

from __future__ import annotations

import contextlib
import ipaddress
import json
import socket
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from gaugepost.core.errors import GaugepostError, Unreachable
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import FILE_NAME, Reader

DESTINATION = "broker"
TOPICS = "gaugepost/demo-bench/#"
PROBE_S = 1.0
"""How long a broker may take to let us in."""

_CONNECT = b"\x10\x0d\x00\x04MQTT\x05\x02\x00\x05\x00\x00\x00"
"""MQTT 5.0, 3.1: a clean start, five seconds of keep-alive, no properties, a client id of the broker's choice."""
_DISCONNECT = b"\xe0\x00"


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker listens."""

    host: str
    port: int = 1883

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"

    def probe(self) -> None:
        """Return where it lets us in. Raises `Unreachable` where it does not, within a second or two."""
        try:
            with socket.create_connection((self.host, self.port), PROBE_S) as connection:
                connection.settimeout(PROBE_S)
                connection.sendall(_CONNECT)
                answer = connection.recv(4)
                with contextlib.suppress(OSError):
                    connection.sendall(_DISCONNECT)
        except (OSError, UnicodeError) as cause:
            why = cause.strerror if isinstance(cause, OSError) and cause.strerror else str(cause)
            raise Unreachable(
                f"no broker answers at {self}: {why}", hint="start one, or name another"
            ) from cause
        if len(answer) < 4 or answer[0] != 0x20:
            raise Unreachable(f"what answers at {self} is no MQTT 5 broker", hint="name another port")
        if answer[3]:
            raise Unreachable(
                f"the broker at {self} does not let the demo in (0x{answer[3]:02X})",
                hint="have it let in whoever names no user, or name another",
            )

    def table(self) -> str:
        """Return what the station file says of it."""
        lines = [
            "",
            f"[destinations.{DESTINATION}]             # each record a message below gaugepost/demo-bench/",
            'kind = "mqtt"',
            f"host = {json.dumps(self.host)}",
            f"port = {self.port}",
        ]
        if not _is_this_computer(self.host):
            lines.append("allow_plain_mqtt = true         # invented parts are no secret")
        return "\n".join([*lines, ""])

    def told(self) -> Iterator[str]:
        """Yield the lines that say where records go, and how to watch them."""
        yield f"Records are published to the broker at {self} too, below gaugepost/demo-bench/."
        yield f"Watch them with any subscriber: mosquitto_sub -h {self.host} -p {self.port} -v -t '{TOPICS}'"


def chosen(wanted: Broker | None, usual: Broker) -> Broker | None:
    """Return the broker that is wanted, or else the `usual` one where that lets us in.

    Raises:
        Unreachable: the one that is wanted does not let us in.
    """
    if wanted is not None:
        wanted.probe()
        return wanted
    try:
        usual.probe()
    except Unreachable:
        return None
    return usual


def delivered(data: Path) -> tuple[int, int]:
    """Return how many records the broker has acknowledged, and how many there are for it.

    Raises `GaugepostError` where the journal or the cursors can't be read.
    """
    with contextlib.closing(Reader(data / FILE_NAME)) as reader:
        with contextlib.closing(Cursors(data / "deliveries.db")) as cursors:
            through = cursors.history().get(DESTINATION, {}).get(reader.epoch, 0)
        sequences = [entry.sequence for entry in reader.replay(kinds=PUBLISHED_KINDS)]
    return sum(sequence <= through for sequence in sequences), len(sequences)


def row(broker: Broker, data: Path, found: list[str]) -> str:
    """Return the summary's line; what can't be read is added to `found`."""
    try:
        count, of = delivered(data)
    except GaugepostError as error:
        found.append(str(error))
        return f"broker   {broker}"
    late = "" if count == of else "; it did not take the rest before the end"
    return f"broker   {count} of {of} records delivered to {broker}{late}"


def _is_this_computer(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
