"""What a broker's numbers mean for records: taken, refused for good, or kept and sent again, and what a person can do.

Reason codes by MQTT 5.0, 2.4; paho gives the return codes of 3.1.1 in the same numbers. A code that is not about one
record's own content (rights, quota, the broker's state) is never a refusal: somebody changes it, and the records
arrive then.
"""

from __future__ import annotations

import ssl

from gaugepost.contract import Unreachable

TAKEN = frozenset({0x00, 0x10})
"""Answers that say that the broker holds the record; 0x10 adds that nobody has subscribed to it."""

REFUSED = frozenset({0x90, 0x95, 0x99})
"""Answers that a record will get for ever: its topic, its size or its payload's make-up."""

TOO_LARGE = 0x95

_NAMES = {
    0x80: "unspecified error",
    0x81: "malformed packet",
    0x82: "protocol error",
    0x83: "implementation specific error",
    0x84: "unsupported protocol version",
    0x85: "client identifier not valid",
    0x86: "bad user name or password",
    0x87: "not authorized",
    0x88: "server unavailable",
    0x89: "server busy",
    0x8A: "banned",
    0x8B: "server shutting down",
    0x8C: "bad authentication method",
    0x8D: "keep alive timeout",
    0x8E: "session taken over",
    0x8F: "topic filter invalid",
    0x90: "topic name invalid",
    0x91: "packet identifier in use",
    0x92: "packet identifier not found",
    0x93: "receive maximum exceeded",
    0x94: "topic alias invalid",
    0x95: "packet too large",
    0x96: "message rate too high",
    0x97: "quota exceeded",
    0x98: "administrative action",
    0x99: "payload format invalid",
    0x9A: "retain not supported",
    0x9B: "QoS not supported",
    0x9C: "use another server",
    0x9D: "server moved",
    0x9E: "shared subscriptions not supported",
    0x9F: "connection rate exceeded",
    0xA0: "maximum connect time",
    0xA1: "subscription identifiers not supported",
    0xA2: "wildcard subscriptions not supported",
}

_HINTS = {
    0x84: 'write version = "3.1.1", or "5"',
    0x85: "write a client_id that the broker allows",
    0x86: "correct username, and the password in its file or variable",
    0x87: "have the broker allow this user and client id to connect and to publish to these topics",
    0x8A: "ask whoever runs the broker why this station is banned",
    0x8C: "have the broker let this station in by user name and password, or by certificate",
    0x8E: "another connection uses the same client id; give each destination and station a client_id of its own",
    0x90: "compare topic with what the broker allows",
    0x95: "raise the broker's limit for the size of a packet",
    0x97: "raise the quota at the broker",
    0x9A: 'have the broker keep retained messages, or write status_topic = "" and retain = false',
    0x9B: "use a broker that takes QoS 1",
    0x9C: "write the other broker's name as host",
    0x9D: "write the new broker's name as host",
}

_LATER = "records are kept and sent again"


def named(code: int, said: str = "") -> str:
    """Return a reason code as a person is shown it, with the broker's own words where it `said` some."""
    words = f"0x{code:02X} {_NAMES.get(code, 'an unknown reason')}"
    return f"{words} ({said})" if said else words


def not_let_in(where: str, code: int, said: str = "") -> Unreachable:
    """Return the error for a connection that the broker refused with `code`."""
    return Unreachable(f"{where} refuses the connection: {named(code, said)}", hint=_hint(code))


def thrown_out(where: str, code: int, said: str = "") -> Unreachable:
    """Return the error for a connection that the broker ended with `code`."""
    return Unreachable(f"{where} ended the connection: {named(code, said)}", hint=_hint(code))


def not_taken(where: str, code: int, what: str) -> Unreachable:
    """Return the error for a message that the broker answered with `code`, not for good; `what` names it."""
    return Unreachable(f"{where} does not take {what}: {named(code)}", hint=_hint(code))


def not_subscribed(where: str, code: int, topic: str) -> Unreachable:
    """Return the error for a subscription that the broker answered with `code`."""
    hints = {0x8F: "write a command_topic that the broker allows", 0xA2: "use a broker that takes wildcards"}
    allow = "have the broker allow this user and client id to subscribe there"
    hint = f"{hints.get(code, allow)}; until then no commands come from it"
    return Unreachable(f"{where} does not let this station subscribe to {topic}: {named(code)}", hint=hint)


def no_trust(where: str, cause: ssl.SSLError) -> Unreachable:
    """Return the error for a TLS handshake that failed."""
    if isinstance(cause, ssl.SSLCertVerificationError):
        finding = f"the certificate of {where} is not good: {cause.verify_message.rstrip('.')}"
        return Unreachable(finding, hint=_certificate_hint(cause.verify_code))
    words = cause.reason or cause.strerror or str(cause)
    if "CERTIFICATE_REQUIRED" in words or "HANDSHAKE_FAILURE" in words:
        return Unreachable(
            f"{where} ended the TLS handshake: {words}",
            hint="it may ask for a certificate of this station; write client_certificate_file and client_key_file",
        )
    return no_tls(where, words)


def no_tls(where: str, words: str) -> Unreachable:
    """Return the error for a far side with which TLS did not come about, in the `words` of the system."""
    hint = "write the port at which it speaks TLS 1.2 or newer, or tls = false"
    return Unreachable(f"there is no TLS with {where}: {words}", hint=hint)


def _certificate_hint(code: int) -> str:
    """Say what to do about a finding of X.509 verification (numbers of OpenSSL's X509_V_ERR_*)."""
    if code in (9, 10):
        return "renew the broker's certificate, or set this computer's clock right"
    if code in (62, 64):
        return "write as host the name that stands in the certificate, or have one made for this name"
    if code in (2, 18, 19, 20, 21):
        return "write as ca_file the certificate (PEM) of whoever signed the broker's"
    return "have a good certificate made for the broker"


def _hint(code: int) -> str:
    hint = _HINTS.get(code)
    return f"{hint}; {_LATER}" if hint else f"look at the broker's log; {_LATER}"
