"""paho on a socket that is ours, with records and their acknowledgements past its tables, many at a time.

paho connects, keeps alive and says goodbye. A record takes its way around paho's queue of messages, which would keep
it, send it again, and make a lock for each; and what the broker sends is read in one go instead of byte by byte. Each
call of the system lets other threads of the daemon go first: five for a record made it wait for them five times.
"""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable
from contextlib import suppress

from paho.mqtt.client import Client as Paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gaugepost_adapters.destinations.mqtt import reasons
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings

_READ_BYTES = 16_384
_PUBLISH, _PUBACK = 0x30, 0x40
"""First bytes of packets, flags left out (MQTT 5.0, 2.1.2)."""


class Client(Paho):
    """One connection's paho. It belongs to one thread; `send_at_once` alone is for another one, too."""

    def __init__(
        self,
        opened: socket.socket,
        settings: MqttSettings,
        client_id: str,
        on_answer: Callable[[int, int], None],
    ) -> None:
        """`on_answer` is told the packet identifier and the reason code of each acknowledgement."""
        five = settings.version == "5"
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id,
            None if five else True,
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
        )
        self._opened, self._five = opened, five
        self._on_answer = on_answer
        self.writing = threading.RLock()
        """Held while packets are made and written, so that they go out in their order."""
        self._read, self._at = b"", 0
        """What was read of the socket, and how much of that was taken."""

    def next_identifier(self) -> int:
        """Return a packet identifier; they come round after 65,535."""
        identifier: int = self._mid_generate()
        return identifier

    def send(self, packets: bytes) -> bool:
        """Write `packets`, or have the rest of them written by `loop_write`; return whether the connection stands."""
        if self.socket() is None:
            return False
        code = self._packet_queue(_PUBLISH | 2, packets, 0, 1)
        return bool(code == MQTTErrorCode.MQTT_ERR_SUCCESS)

    def send_at_once(self, make: Callable[[], bytes]) -> bool:
        """Write what `make` returns now, from whatever thread; return whether that needed nothing of `loop_write`.

        Where something else is being written, or waits to be, `make` is not called.
        """
        if isinstance(self._opened, ssl.SSLSocket) or not self.writing.acquire(blocking=False):
            return False  # OpenSSL does not read and write one connection in two threads
        try:
            if self.socket() is None or self.want_write():
                return False
            packets, written = make(), 0
            with suppress(OSError):  # there is no room for now, or whoever writes the rest comes upon it
                written = self._opened.send(packets)
            return written == len(packets) or not self.send(packets[written:])
        finally:
            self.writing.release()

    def loop_write(self) -> MQTTErrorCode:
        """Write what waits to be."""
        with self.writing:
            return super().loop_write()

    @property
    def holds_more(self) -> bool:
        """Whether something was read of the socket that was not taken yet."""
        return self._at < len(self._read) and self.socket() is not None

    def receive(self) -> MQTTErrorCode:
        """Take acknowledgements that came, and one packet of another kind; return paho's code for what is wrong."""
        if self._in_packet["command"] == 0:  # at the beginning of a packet
            self._fill()
            if self._take_answers() and self._at == len(self._read):
                return MQTTErrorCode.MQTT_ERR_SUCCESS
        return self.loop_read()

    def _fill(self) -> None:
        if self._at == len(self._read) and self.socket() is not None:
            with suppress(OSError):  # paho comes upon it next, and says what it is
                self._read, self._at = super()._sock_recv(_READ_BYTES), 0

    def _take_answers(self) -> bool:
        """Take acknowledgements in their usual form (MQTT 5.0, 3.4), and leave whatever else comes to paho.

        Return whether there was one.
        """
        read, at = self._read, self._at
        before = at
        while len(read) - at >= 4 and read[at] == _PUBACK:
            length = read[at + 1]
            if length == 2:
                reason = 0
            elif length == 3 and self._five and len(read) - at >= 5 and read[at + 4] in reasons.TAKEN:
                reason = read[at + 4]
            else:
                break
            identifier = read[at + 2] << 8 | read[at + 3]
            at += 2 + length
            self._on_answer(identifier, reason)
        self._at = at
        return at > before

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at == len(self._read):
            self._read, self._at = super()._sock_recv(max(bufsize, _READ_BYTES)), 0
        data = self._read[self._at : self._at + bufsize]
        self._at += len(data)
        return data

    def _handle_pubackcomp(self, cmd: str) -> MQTTErrorCode:
        """Take an acknowledgement that says more. Raises, as paho's own, where it is none."""
        packet = bytes(self._in_packet["packet"])
        if cmd != "PUBACK" or len(packet) < 2 or (len(packet) > 2 and not self._five):
            raise ValueError(f"no acknowledgement: {cmd} {packet.hex()}")
        reason = ReasonCode(PacketTypes.PUBACK, identifier=packet[2]).value if len(packet) > 2 else 0
        if len(packet) > 3:
            Properties(PacketTypes.PUBACK).unpack(packet[3:])  # type: ignore[no-untyped-call]
        self._on_answer(int.from_bytes(packet[:2], "big"), reason)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _create_socket(self) -> socket.socket:
        return self._opened
