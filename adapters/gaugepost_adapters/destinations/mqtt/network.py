"""The thread of one connection: paho's loop on a socket that is ours, fed with batches, ended by a word or by a cause.

One client object and one thread for each connection. paho keeps what was not acknowledged and sends it again when it
connects again; a client that never connects again sends nothing behind our back. Everything of paho's is called from
this one thread, so that none of its locks is ever waited for, and the thread sleeps until the broker, a batch or a
deadline wakes it.
"""

from __future__ import annotations

import selectors
import socket
import ssl
import struct
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client as Paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties

from gaugepost.contract import Unreachable
from gaugepost_adapters.destinations.mqtt import opening, reasons
from gaugepost_adapters.destinations.mqtt.client import Client
from gaugepost_adapters.destinations.mqtt.job import Job, Limits
from gaugepost_adapters.destinations.mqtt.messages import Message
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings
from gaugepost_adapters.destinations.mqtt.stream import MqttStream

_TURN_S = 1.0
"""How often paho looks after its keep-alive."""

_GO_BYTES = 16_384
"""About what is made of messages before it is written, so that the first of many does not wait for the last."""

_AT_ONCE_BYTES = 4096
"""About what the event loop makes and writes itself: a few records."""

_FAREWELL_S = 1.0
"""How long a DISCONNECT may take to get out."""

_SILENT = 0x8D
"""What paho gives as reason where the keep-alive went unanswered."""

_GARBAGE = (ValueError, LookupError, TypeError, ArithmeticError, AssertionError, struct.error)
"""What paho raises where a broker sends what is no MQTT."""


class Network:
    """Runs one connection from its start to its end. `run` is the thread's; the other methods are anyone's."""

    def __init__(
        self,
        settings: MqttSettings,
        folder: Path,
        client_id: str,
        will: Message | None,
        on_open: Callable[[], None],
    ) -> None:
        self._settings = settings
        self._folder = folder
        self._client_id = client_id
        self._will = will
        self._on_open = on_open
        self._jobs: deque[Job] = deque()
        self._job: Job | None = None
        self.stream: MqttStream | None = None
        """What is published beside jobs, while none is under way."""
        self._wake, self._woken = socket.socketpair()
        self._wake.setblocking(False)
        self._woken.setblocking(False)
        self._held: socket.socket | None = None
        self._client: Client | None = None
        self._looked_at = 0.0
        self._stopping = self._aborted = False
        self._cause: Unreachable | None = None
        self._complaint = ""
        self._limits: Limits | None = None
        self._deadline = time.monotonic() + settings.connect_timeout_s
        self.thrown_out_by: int | None = None
        """Reason code with which the broker ended the connection."""

    def submit(self, job: Job) -> None:
        """Publish a job's messages; one job at a time."""
        self._jobs.append(job)
        self.rouse()

    def stop(self) -> None:
        """Say goodbye to the broker and end."""
        self._stopping = True
        self.rouse()

    def abort(self) -> None:
        """End at once, whatever the thread waits for; the broker sees the connection break."""
        self._aborted = True
        self.rouse()
        held = self._held
        if held is not None:
            with suppress(OSError):
                held.shutdown(socket.SHUT_RDWR)

    def release(self) -> None:
        """Close what `submit`, `stop` and `abort` use; the thread must have ended."""
        self._wake.close()
        self._woken.close()

    def run(self) -> None:
        """Connect, publish what is submitted, and return after `stop` or `abort`.

        Raises:
            Unreachable: the connection was not made, or has ended.
        """
        secret = opening.password(self._settings, self._folder)
        opened = opening.connected(self._settings, self._folder, self._deadline, self._hold)
        with opened, selectors.DefaultSelector() as selector:
            self._hold(opened)
            client = self._client = self._make(opened, secret)
            try:
                self._serve(client, opened, selector)
            finally:
                self._held = self._client = None

    def rouse(self) -> None:
        """Have the thread look what there is to do."""
        with suppress(BlockingIOError):  # full: it is awake
            self._wake.send(b"\0")

    def _hold(self, opened: socket.socket) -> None:
        self._held = opened
        if self._aborted:
            raise Unreachable("connecting was given up")

    def _make(self, opened: socket.socket, secret: str | None) -> Client:
        settings, will = self._settings, self._will
        client = Client(opened, settings, self._client_id, self._on_answer)
        client.username_pw_set(settings.username, secret)
        if will is not None:
            client.will_set(will.topic, will.payload, 1, will.retain, will.properties)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_log = self._on_log
        # With this set paho queues packets for loop_write, instead of writing each at once.
        client.on_socket_register_write = lambda *_: None
        if settings.version == "5":
            client.connect(
                settings.host,
                settings.port_used,
                settings.keepalive_s,
                clean_start=True,
                properties=self._limits_of_ours(),
            )
        else:
            client.connect(settings.host, settings.port_used, settings.keepalive_s)
        return client

    def _serve(self, client: Client, opened: socket.socket, selector: selectors.BaseSelector) -> None:
        reading, both = selectors.EVENT_READ, selectors.EVENT_READ | selectors.EVENT_WRITE
        watched = both
        selector.register(opened, watched)
        selector.register(self._woken, reading)
        while True:
            ready = {key.fileobj for key, _ in selector.select(self._patience(opened))}
            if self._woken in ready:
                self._woken.recv(4096)
            if self._aborted:
                raise Unreachable("the connection was given up")
            self._turn(client, readable=opened in ready or client.holds_more or _has_read(opened))
            if client.socket() is None:
                raise self._end()
            wanted = both if client.want_write() else reading
            if wanted != watched:
                selector.modify(opened, wanted)
                watched = wanted
            if self._stopping and self._job is None and not self._jobs:
                self._farewell(client, selector)
                return
            if time.monotonic() > self._deadline:
                raise self._late()

    def _turn(self, client: Client, *, readable: bool) -> None:
        """Read, publish what there is room for, write."""
        code = MQTTErrorCode.MQTT_ERR_SUCCESS
        try:
            if readable:
                code = client.receive()
            while client.holds_more and code == MQTTErrorCode.MQTT_ERR_SUCCESS and not self._aborted:
                code = client.receive()
        except _GARBAGE as cause:
            raise self._garbage() from cause
        if code == MQTTErrorCode.MQTT_ERR_PROTOCOL and self._cause is None:
            raise self._garbage()
        while True:
            more = self._pump(client)
            if client.want_write():
                client.loop_write()
            if not more or client.want_write():  # the rest when there is room for it again
                break
        if (now := time.monotonic()) >= self._looked_at + _TURN_S / 2:
            self._looked_at = now
            client.loop_misc()

    def _garbage(self) -> Unreachable:
        return Unreachable(
            f"{self._settings.where} says what is not in MQTT {self._settings.version}",
            hint="correct port and version, or look at the broker",
        )

    def _patience(self, opened: socket.socket) -> float:
        """Return how long the thread may sleep, in seconds."""
        if _has_read(opened):
            return 0.0
        return max(0.0, min(_TURN_S, self._deadline - time.monotonic()))

    def _pump(self, client: Client) -> bool:
        """Publish messages in one go; return whether there are more to publish now."""
        limits = self._limits
        if limits is None:
            return False
        if self._job is None:
            if not self._jobs:
                return self._pump_stream(client, limits)
            self._job = self._jobs.popleft()
            self._expect()
        job = self._job
        window = min(job.most_in_flight, limits.in_flight)
        packets, size = [], 0
        while job.next < len(job.answers) and len(job.out) < window and size < _GO_BYTES:
            message, identifier = next(job.messages), client.next_identifier()
            packet = message.packet(identifier)
            place, job.next = job.next, job.next + 1
            if limits.packet_bytes is not None and len(packet) > limits.packet_bytes:
                job.answers[place] = reasons.TOO_LARGE  # it must not even be sent (MQTT 5.0, 3.2.2.3.6)
                continue
            packets.append(packet)
            size += len(packet)
            job.out[identifier] = place
        if packets and not client.send(b"".join(packets)):
            raise Unreachable(f"{self._settings.where} is gone", hint="it is tried again")
        if not job.out:
            self._job = None
            self._deadline = float("inf")
            job.done()
        return size >= _GO_BYTES

    def publish_stream(self) -> None:
        """Publish what waits in the stream, at once where that can be; the event loop's."""
        client, stream, limits = self._client, self.stream, self._limits
        if client is not None and stream is not None and limits is not None and not self._stopping:
            at_once = client.send_at_once(lambda: self._packets(client, stream, limits, _AT_ONCE_BYTES))
            if at_once and not stream.holds_more:
                return
        self.rouse()

    def _pump_stream(self, client: Client, limits: Limits) -> bool:
        stream = self.stream  # looked at once: the event loop may take it away meanwhile
        if stream is None:
            return False
        with client.writing:
            packets = self._packets(client, stream, limits, _GO_BYTES)
            if packets and not client.send(packets):
                raise Unreachable(f"{self._settings.where} is gone", hint="it is tried again")
        return len(packets) >= _GO_BYTES

    def _packets(self, client: Client, stream: MqttStream, limits: Limits, go_bytes: int) -> bytes:
        was_waiting = stream.is_waiting
        packets = stream.packets(limits.in_flight, limits.packet_bytes, go_bytes, client.next_identifier)
        if packets and not was_waiting:
            self._expect()
        return packets

    def _expect(self) -> None:
        self._deadline = time.monotonic() + self._settings.ack_timeout_s

    def _farewell(self, client: Client, selector: selectors.BaseSelector) -> None:
        client.disconnect()
        until = time.monotonic() + _FAREWELL_S
        while client.socket() is not None and time.monotonic() < until and not self._aborted:
            client.loop_write()
            if client.socket() is not None:
                selector.select(0.05)

    def _end(self) -> Unreachable:
        """Return why the connection has ended."""
        if self._cause is not None:
            return self._cause
        where = self._settings.where
        if self._limits is not None:
            return Unreachable(
                f"{where} closed the connection",
                hint="look at its log; another connection under the same client id would do it",
            )
        hint = "correct port, tls and version"
        if self._settings.tls and not self._settings.client_certificate_file:
            hint = "it may ask for a certificate of this station; write client_certificate_file and client_key_file"
        said = f": {self._complaint}" if self._complaint else ""
        return Unreachable(f"{where} closed the connection without an answer{said}", hint=hint)

    def _late(self) -> Unreachable:
        where = self._settings.where
        if self._limits is None:
            return Unreachable(
                f"{where} does not answer within {self._settings.connect_timeout_s:g} s",
                hint="look whether a broker runs there, and at port and tls",
            )
        return Unreachable(
            f"{where} acknowledged nothing for {self._settings.ack_timeout_s:g} s",
            hint="look at the broker and the network; records are sent again",
        )

    def _on_connect(self, client: Paho, _data: Any, _flags: Any, reason: Any, properties: Any) -> None:
        client.on_log = None  # it is asked for every packet
        if reason.value != 0:
            self._cause = reasons.not_let_in(
                self._settings.where, reason.value, getattr(properties, "ReasonString", "")
            )
            return
        if getattr(properties, "MaximumQoS", 1) < 1:
            self._cause = reasons.not_let_in(self._settings.where, 0x9B)
        elif not getattr(properties, "RetainAvailable", 1) and (
            self._settings.retain or self._will is not None
        ):
            self._cause = reasons.not_let_in(self._settings.where, 0x9A)
        if self._cause is not None:
            client.disconnect()
            return
        self._limits = Limits(
            getattr(properties, "ReceiveMaximum", 65_535), getattr(properties, "MaximumPacketSize", None)
        )
        self._deadline = float("inf")
        self._let_in(client)

    def _let_in(self, _client: Paho) -> None:
        """Do what follows once the broker has let us in."""
        self._on_open()

    def _limits_of_ours(self) -> Properties | None:
        """Return what we tell the broker when we connect (MQTT 5.0, 3.1.2.11)."""
        return None

    def _on_answer(self, identifier: int, reason: int) -> None:
        job, stream = self._job, self.stream
        if stream is not None and stream.answered(identifier, reason):
            if stream.is_waiting:
                self._expect()
            elif job is None:
                self._deadline = float("inf")
            return
        place = None if job is None else job.out.pop(identifier, None)
        if job is not None and place is not None:
            job.answers[place] = reason
            self._expect()
            if reason not in reasons.TAKEN | reasons.REFUSED:
                del job.answers[job.next :]  # what comes after it would overtake it

    def _on_disconnect(self, _client: Paho, _data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if self._cause is not None:
            return
        if flags.is_disconnect_packet_from_server:
            self.thrown_out_by = reason.value
            self._cause = reasons.thrown_out(
                self._settings.where, reason.value, getattr(properties, "ReasonString", "")
            )
        elif reason.value == _SILENT:
            self._cause = Unreachable(
                f"{self._settings.where} is silent for longer than keepalive_s",
                hint="look at the broker and the network; the connection is made anew",
            )

    def _on_log(self, _client: Paho, _data: Any, _level: int, words: str) -> None:
        if "failed to" in words:
            self._complaint = words.partition("socket: ")[2] or words


def _has_read(opened: socket.socket) -> bool:
    """Whether bytes were read of the socket and deciphered that nobody has taken."""
    return isinstance(opened, ssl.SSLSocket) and opened.pending() > 0
