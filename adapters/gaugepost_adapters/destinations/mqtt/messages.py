"""What goes over the wire: a record with its properties, and the station's status.

A record's payload is its JSON in the names of the vocabulary, as everywhere else. With MQTT 5 its properties say what
it is to whoever does not want to read it: the content type, and as user properties `id`, `kind` and `format`, the
number of the payload's make-up. A status is `{"status": "online", "station": ..., "connected_at": ..., "since": ...}`;
one that is left behind as last will has no `since`, because nobody can know beforehand when it comes true.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from paho.mqtt.properties import Properties

from gaugepost.contract import Publication
from gaugepost_adapters.destinations.mqtt import topic
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings

FORMAT = "1"
"""Number of the payload's make-up: one flat JSON object in the names of the vocabulary."""


class Packed(Properties):
    """Properties that are packed already: paho takes longer to check and pack them than all the rest takes.

    The identifiers are those of MQTT 5.0, 2.2.2.2: 0x01 payload format (1: UTF-8), 0x02 message expiry, 0x03 content
    type, 0x09 correlation data, 0x26 user property.
    """

    def __init__(self, packed: bytes) -> None:
        # Properties' own makes tables of every property that there is, for each message anew, and its __setattr__
        # takes nothing that is not in them.
        object.__setattr__(self, "_packed", _length(len(packed)) + packed)

    def pack(self) -> bytes:
        """Return them as they stand in a packet, their length first."""
        packed: bytes = object.__getattribute__(self, "_packed")
        return packed

    def __str__(self) -> str:
        return self.pack().hex()


@dataclass(frozen=True, slots=True)
class Message:
    """One PUBLISH at QoS 1."""

    topic: str
    payload: bytes
    retain: bool
    properties: Packed | None = None
    """None with MQTT 3.1.1."""

    def packet(self, identifier: int) -> bytes:
        """Return the whole packet (MQTT 5.0, 3.3)."""
        topic = self.topic.encode()
        properties = b"" if self.properties is None else self.properties.pack()
        rest = _length(2 + len(topic) + 2 + len(properties) + len(self.payload))
        first, length, number = b"\x33" if self.retain else b"\x32", _PAIR(len(topic)), _PAIR(identifier)
        return b"".join((first, rest, length, topic, number, properties, self.payload))


def composer(settings: MqttSettings) -> Callable[[Publication], Message]:
    """Return what makes a record's message."""
    topic_of = topic.maker(settings.topic)
    with_properties, retain = settings.version == "5", settings.retain
    same = _CONTENT + _user("format", FORMAT)
    if settings.expiry_s is not None:
        same += b"\x02" + struct.pack("!I", settings.expiry_s)

    def compose(record: Publication) -> Message:
        properties = None
        if with_properties:
            properties = Packed(same + _user("id", str(record["id"])) + _user("kind", str(record["kind"])))
        return Message(topic_of(record), _json(record), retain, properties)

    return compose


@dataclass(frozen=True, slots=True)
class Presence:
    """What the status topic says over one connection."""

    topic: str
    station: str
    connected_at: str
    with_properties: bool

    @classmethod
    def of(cls, settings: MqttSettings, station: str) -> Presence | None:
        """Return it for a connection that is made now; None where there is no status topic."""
        if not settings.status_topic:
            return None
        name = topic.maker(settings.status_topic)({"station": station})
        return cls(name, station, _now(), settings.version == "5")

    def online(self) -> Message:
        """Return what is said when the connection stands."""
        return self._message("online", since=self.connected_at)

    def offline(self) -> Message:
        """Return what is said before the connection is closed in peace."""
        return self._message("offline", since=_now())

    def will(self) -> Message:
        """Return what the broker says when the connection breaks."""
        return self._message("offline", since=None)

    def _message(self, status: Literal["online", "offline"], since: str | None) -> Message:
        said = {"status": status, "station": self.station, "connected_at": self.connected_at}
        if since is not None:
            said["since"] = since
        properties = Packed(_CONTENT + _user("format", FORMAT)) if self.with_properties else None
        return Message(self.topic, _json(said), retain=True, properties=properties)


def answer(topic: str, said: Mapping[str, object], *, version: str, correlation: bytes | None) -> Message:
    """Return the message of an answer to a command; `correlation` is what the command brought to know it by."""
    packed = _CONTENT + _user("format", FORMAT)
    if correlation is not None:
        packed += b"\x09" + struct.pack("!H", len(correlation)) + correlation
    # In ASCII: what is told of a command may repeat half a character of it.
    payload = json.dumps(said, allow_nan=False, separators=(",", ":")).encode("ascii")
    return Message(topic, payload, retain=False, properties=Packed(packed) if version == "5" else None)


_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode


def _json(value: object) -> bytes:
    return _encode(value).encode()


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


_PAIR = struct.Struct("!H").pack


def _text(text: str) -> bytes:
    """Return a string with its length before it (MQTT 5.0, 1.5.4)."""
    encoded = text.encode()
    return _PAIR(len(encoded)) + encoded


def _user(name: str, value: str) -> bytes:
    return b"\x26" + _text(name) + _text(value)


def _length(number: int) -> bytes:
    """Return a variable byte integer (MQTT 5.0, 1.5.5)."""
    packed = bytearray()
    while True:
        number, low = divmod(number, 128)
        packed.append(low | (0x80 if number else 0))
        if not number:
            return bytes(packed)


_CONTENT = b"\x01\x01\x03" + _text("application/json")
"""That the payload is UTF-8, and of what type."""
