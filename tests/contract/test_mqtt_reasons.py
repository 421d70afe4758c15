"""The numbers that a broker answers with, held against the standard's table and against another reading of it."""

from __future__ import annotations

import re
from contextlib import suppress

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from gaugepost_adapters.destinations.mqtt import reasons

TABLE_2_6 = {
    0x80: "Unspecified error",
    0x81: "Malformed Packet",
    0x82: "Protocol Error",
    0x83: "Implementation specific error",
    0x84: "Unsupported Protocol Version",
    0x85: "Client Identifier not valid",
    0x86: "Bad User Name or Password",
    0x87: "Not authorized",
    0x88: "Server unavailable",
    0x89: "Server busy",
    0x8A: "Banned",
    0x8B: "Server shutting down",
    0x8C: "Bad authentication method",
    0x8D: "Keep Alive timeout",
    0x8E: "Session taken over",
    0x8F: "Topic Filter invalid",
    0x90: "Topic Name invalid",
    0x91: "Packet Identifier in use",
    0x92: "Packet Identifier not found",
    0x93: "Receive Maximum exceeded",
    0x94: "Topic Alias invalid",
    0x95: "Packet too large",
    0x96: "Message rate too high",
    0x97: "Quota exceeded",
    0x98: "Administrative action",
    0x99: "Payload format invalid",
    0x9A: "Retain not supported",
    0x9B: "QoS not supported",
    0x9C: "Use another server",
    0x9D: "Server moved",
    0x9E: "Shared Subscriptions not supported",
    0x9F: "Connection rate exceeded",
    0xA0: "Maximum connect time",
    0xA1: "Subscription Identifiers not supported",
    0xA2: "Wildcard Subscriptions not supported",
}
"""Reason codes of failures: OASIS Standard MQTT Version 5.0 (2019-03-07), 2.4, Table 2-6, from memory."""


def names_of_the_library() -> dict[int, set[str]]:
    """What the library has read out of the same table, by code."""
    found: dict[int, set[str]] = {}
    for kind in (
        PacketTypes.CONNACK,
        PacketTypes.PUBACK,
        PacketTypes.PUBREL,
        PacketTypes.SUBACK,
        PacketTypes.DISCONNECT,
    ):
        for code in range(0x80, 0x100):
            with suppress(KeyError, ValueError):
                reason = ReasonCode(kind, identifier=code)
                found.setdefault(code, set()).add(reason.getName().casefold())
    return found


def test_every_reason_has_its_name() -> None:
    """Each code of a failure that the standard has is told by its name there; one that it has not, by its number."""
    assert {code: reasons.named(code).casefold() for code in TABLE_2_6} == {
        code: f"0x{code:02X} {name}".casefold() for code, name in TABLE_2_6.items()
    }
    assert [code for code in range(256) if "unknown" not in reasons.named(code)] == [*TABLE_2_6]
    library = names_of_the_library()
    assert len(library) > 30
    for code, names in library.items():
        # It writes two of them, 0x9E and 0xA2, in the singular.
        assert {re.sub("(shared|wildcard) subscription ", r"\1 subscriptions ", name) for name in names} == {
            TABLE_2_6[code].casefold()
        }


def test_no_failure_is_taken_for_a_delivery() -> None:
    """Every code from 0x80 on (2.4: the operation has failed) leaves a record undelivered, whatever it is."""
    assert {code for code in range(256) if code in reasons.TAKEN} == {0x00, 0x10}
    assert all(code >= 0x80 for code in reasons.REFUSED)
    # What PUBACK may say for good of one record's own content (3.4.2.1, Table 3-4), and a packet too large.
    assert {0x90, 0x95, 0x99} == reasons.REFUSED
