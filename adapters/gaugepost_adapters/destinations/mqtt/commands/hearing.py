"""The thread of a connection over which commands come: it subscribes, and takes no more than somebody can deal with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from socket import socket
from typing import Any

from paho.mqtt.client import Client as Paho, MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from gaugepost.contract import MOST_COMMAND_BYTES
from gaugepost_adapters.destinations.mqtt import reasons
from gaugepost_adapters.destinations.mqtt.client import Client
from gaugepost_adapters.destinations.mqtt.network import Network
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings

MOST_PACKET_BYTES = 4 * MOST_COMMAND_BYTES
"""What a broker may send in one packet, in bytes: room to answer a command that is too long. Longer ones it drops
(version 5 only)."""


class Hearing(Network):
    """A connection that stands once the broker has taken its subscription. Each begins clean, with nothing kept."""

    def __init__(
        self,
        settings: MqttSettings,
        folder: Path,
        client_id: str,
        topics: str,
        hear: Callable[[MQTTMessage], None],
        on_open: Callable[[], None],
    ) -> None:
        """`hear` is called in the thread with each message to `topics`, a filter; while it blocks the broker waits."""
        super().__init__(settings, folder, client_id, None, on_open)
        self._topics, self._hear = topics, hear

    def _make(self, opened: socket, secret: str | None) -> Client:
        client = super()._make(opened, secret)
        client.on_message = lambda _client, _data, message: self._hear(message)
        client.on_subscribe = self._on_subscribe
        return client

    def _limits_of_ours(self) -> Properties:
        limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        limits.MaximumPacketSize = MOST_PACKET_BYTES
        return limits

    def _let_in(self, client: Paho) -> None:
        self._expect()
        if self._settings.version == "5":
            client.subscribe(self._topics, options=SubscribeOptions(qos=1, noLocal=True))
        else:
            client.subscribe(self._topics, 1)

    def _on_subscribe(self, client: Paho, _data: Any, _mid: int, codes: Any, _properties: Any) -> None:
        self._deadline = float("inf")
        refused = [code.value for code in codes if code.value >= 0x80]
        if refused:
            self._cause = reasons.not_subscribed(self._settings.where, refused[0], self._topics)
            client.disconnect()
        else:
            self._on_open()
