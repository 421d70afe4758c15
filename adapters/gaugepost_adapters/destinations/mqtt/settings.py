"""What a station file says about an MQTT broker, checked without asking it.

The password never stands in the station file: it names the file or the environment variable that holds it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from typing import Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from gaugepost.contract import AdapterSettings, Caution
from gaugepost_adapters.destinations.mqtt import topic
from gaugepost_adapters.destinations.named import FileName, VariableName, can_be_looked_up, is_this_computer

_HOST = re.compile(r"[^\s/@?#\[\]\x00-\x1f]+")


class MqttSettings(AdapterSettings):
    """Settings of a destination that publishes to an MQTT broker, always at QoS 1.

    What is published once may arrive more than once, after an outage above all: whoever takes records tells a repeat
    by its `id`. Nothing is asked of the broker's memory: every connection begins with a clean session.
    """

    host: str = Field(examples=["broker.example"])
    """The broker's name or address."""
    port: int | None = Field(default=None, ge=1, le=65_535)
    """Its port; where it is missing, 8883 with TLS and 1883 without."""
    version: Literal["5", "3.1.1"] = "5"
    """Version of the protocol. In 3.1.1 a broker has no way to say that it does not take a record: it takes it and
    drops it."""
    client_id: str | None = Field(default=None, min_length=1, max_length=256)
    """Name by which the broker knows this connection, one of a kind. Where it is missing, it is made from the station's
    name and the topics, and stays the same. Commands come over another connection, with "-commands" after it."""
    username: str | None = Field(default=None, min_length=1)
    """User that the broker knows."""
    password_file: FileName | None = Field(default=None, min_length=1)
    """File that holds the password, from the station's data directory on; read for every connection."""
    password_env: VariableName | None = None
    """Environment variable that holds it, where no file does."""
    tls: bool = False
    """Whether the connection is encrypted, and the broker's certificate and name are checked (TLS 1.2 or newer)."""
    ca_file: FileName | None = Field(default=None, min_length=1)
    """Certificates (PEM) that the broker's is held against, instead of those that this computer trusts."""
    client_certificate_file: FileName | None = Field(default=None, min_length=1)
    """Certificate (PEM) that this station shows."""
    client_key_file: FileName | None = Field(default=None, min_length=1)
    """Its private key (PEM, without a passphrase), where that is not in the same file."""
    allow_plain_mqtt: bool = False
    """Whether another computer may be reached without TLS: anyone on the way can read and change what is sent."""
    topic: str = "gaugepost/{station}/{gauge}/{kind}"
    """Topic of a record. Names in braces are replaced by the record's values, what is missing by "-"."""
    retain: bool = False
    """Whether the broker keeps the last record of each topic, for whoever subscribes later."""
    expiry_s: int | None = Field(default=None, ge=1, le=4_294_967_295)
    """Seconds after which the broker drops a record that a subscriber has not fetched (version 5 only)."""
    status_topic: str = "gaugepost/{station}/status"
    """Topic that says, retained, whether the station is online; empty for none."""
    commands: bool = False
    """Whether the station takes commands from this broker. Whoever may publish below command_topic can then do what is
    commanded over REST on the station's own computer: master, check, set, void."""
    command_topic: str = "gaugepost/{station}/command"
    """Topic below which commands are published, each at its name: gaugepost/bench-1/command/set."""
    reply_topic: str = "gaugepost/{station}/reply"
    """Topic at which every command is answered."""
    keepalive_s: int = Field(default=30, ge=5, le=65_535)
    """Seconds of silence after which the connection is tried, and after one and a half times given up by the broker."""
    connect_timeout_s: float = Field(default=10, gt=0, le=600)
    """Seconds that connecting may take, TLS and the broker's first answer included."""
    ack_timeout_s: float = Field(default=10, gt=0, le=600)
    """Seconds that the broker may take none of what it was sent; then the connection is made anew."""
    max_in_flight: int = Field(default=200, ge=1, le=65_535)
    """Records on their way to the broker at a time. A broker that says it takes fewer gets fewer. With 1, none ever
    comes before one that the broker does not take for now."""

    @field_validator("host")
    @classmethod
    def _host_can_be_found(cls, host: str) -> str:
        if not _HOST.fullmatch(host) or not can_be_looked_up(host):
            shown = "that" if "@" in host else repr(host[:200])  # a login may stand before it
            raise ValueError(
                f'{shown} is not a host; write its name or address only, as "broker.example", and port beside it'
            )
        return host

    @field_validator("client_id", "username")
    @classmethod
    def _text_can_be_sent(cls, text: str | None) -> str | None:
        if text is not None and not text.isprintable():
            raise ValueError(f"{text[:200]!r} holds a control character; leave it out")
        return text

    @field_validator("topic")
    @classmethod
    def _topic_stays_whole(cls, template: str) -> str:
        topic.check("topic", template, topic.PLACEHOLDERS)
        return template

    @field_validator("status_topic")
    @classmethod
    def _status_topic_stays_whole(cls, template: str) -> str:
        if template:
            topic.check("status_topic", template, ("station",))
        return template

    @field_validator("command_topic", "reply_topic")
    @classmethod
    def _command_topics_stay_whole(cls, template: str, info: ValidationInfo) -> str:
        topic.check(info.field_name or "", template, ("station",))
        return template

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        self._check_secrets()
        if self.topic == self.status_topic:
            raise ValueError(
                f'topic and status_topic are one, {self.topic!r}; write another status_topic, or "" for none'
            )
        self._check_commands()
        if self.expiry_s is not None and self.version != "5":
            raise ValueError('expiry_s needs version 5 of the protocol; write version = "5", or take it out')
        if not self.tls and (self.ca_file or self.client_certificate_file):
            raise ValueError("certificates are of no use without TLS; write tls = true")
        if not self.tls and not self.allow_plain_mqtt and not is_this_computer(self.host):
            raise ValueError(
                f"without TLS what goes to {self.host} can be read and changed on the way; write tls = true, or "
                f"allow_plain_mqtt = true where the network is trusted"
            )
        return self

    def _check_secrets(self) -> None:
        if self.password_file and self.password_env:
            raise ValueError("the password is named twice; write password_file or password_env")
        if (self.password_file or self.password_env) and self.username is None:
            raise ValueError("there is a password and nobody whose it is; write username too")
        if self.client_key_file and not self.client_certificate_file:
            raise ValueError("client_key_file is for a certificate; write client_certificate_file too")

    def _check_commands(self) -> None:
        if not self.commands:
            for key in ("command_topic", "reply_topic"):
                if key in self.model_fields_set:
                    raise ValueError(f"{key} is of no use without commands; write commands = true")
            return
        for key in ("topic", "status_topic", "reply_topic"):
            if f"{getattr(self, key)}/".startswith(f"{self.command_topic}/"):
                raise ValueError(
                    f"{key} lies below command_topic, {self.command_topic!r}, where commands come; write another {key}"
                )
        if self.reply_topic in (self.topic, self.status_topic):
            raise ValueError("reply_topic is the topic of something else; write another reply_topic")

    def cautions(self) -> Iterator[Caution]:
        """Return what is risky about them."""
        lost = [f"{{{name}}}" for name in ("gauge", "kind") if f"{{{name}}}" not in self.topic]
        if self.retain and lost:
            finding = (
                f"topic has no {' and no '.join(lost)}, so that the last record of one replaces another's"
            )
            yield Caution("retain", finding, f"write {' and '.join(lost)} into topic, or retain = false")
        if self.commands and not self.tls and not is_this_computer(self.host):
            finding = f"without TLS anybody on the way to {self.host} can command, and void readings"
            yield Caution("commands", finding, "write tls = true")
        if self.commands and self.username is None and self.client_certificate_file is None:
            yield Caution(
                "commands",
                "the broker lets this station in without asking who it is, and so perhaps anybody, who can then void "
                "readings",
                f"write username and password_file, and have the broker let few publish to {self.command_topic}/+",
            )

    def come_to(self, station: str) -> Iterator[str]:
        """Return where commands come, if any do."""
        if self.commands:
            below, reply = (
                topic.maker(each)({"station": station}) for each in (self.command_topic, self.reply_topic)
            )
            yield f"takes commands at {below}/NAME and answers at {reply};"
            yield "whoever the broker lets publish there can master, set and void"

    @property
    def port_used(self) -> int:
        """The port, where none is written too."""
        return self.port or (8883 if self.tls else 1883)

    @property
    def where(self) -> str:
        """The broker as messages name it."""
        return f"[{self.host}]:{self.port_used}" if ":" in self.host else f"{self.host}:{self.port_used}"

    def client_id_at(self, station: str) -> str:
        """Return the client id at `station`: the same for the same station and topics.

        Two connections under one id throw each other out, so two destinations of one station must differ.
        """
        if self.client_id is not None:
            return self.client_id
        name = re.sub(r"[^0-9A-Za-z]+", "-", station).strip("-")[:24]
        told_apart = "\0".join((station, self.topic, self.status_topic))
        return f"gaugepost-{name}-{hashlib.sha256(told_apart.encode()).hexdigest()[:8]}"
