"""The way to the broker: its name, a TCP connection, TLS, the password. All of it blocks, and runs in a thread.

paho's own connecting can't be broken off, so that a daemon that is told to end would have to wait for it.
"""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Callable
from pathlib import Path

from gaugepost.contract import Unreachable
from gaugepost_adapters.destinations import password as secret
from gaugepost_adapters.destinations.mqtt import reasons
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings


def connected(
    settings: MqttSettings, folder: Path, deadline: float, hold: Callable[[socket.socket], None]
) -> socket.socket:
    """Return a connected socket, TLS done where it is asked for. `folder` is where relative paths start.

    `deadline` is of time.monotonic(). `hold` is given each socket before it may block: shutting that down from another
    thread ends the wait.

    Raises:
        Unreachable: the broker can't be reached, or is not to be trusted, or a file is no good.
    """
    context = _tls(settings, folder) if settings.tls else None
    opened = _tcp(settings, deadline, hold)
    try:
        # A record is a small packet, and is not to wait for the answer to the one before it.
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if context is not None:
            opened.settimeout(_left(settings, deadline))
            opened = secured = context.wrap_socket(
                opened, server_hostname=settings.host, do_handshake_on_connect=False
            )
            hold(secured)
            secured.do_handshake()
    except ssl.SSLError as cause:
        opened.close()
        raise reasons.no_trust(settings.where, cause) from cause
    except ConnectionError as cause:
        opened.close()
        raise reasons.no_tls(settings.where, cause.strerror or str(cause)) from cause
    except OSError as cause:
        opened.close()
        raise _no_connection(settings, cause) from cause
    except Unreachable:
        opened.close()
        raise
    return opened


def _tcp(settings: MqttSettings, deadline: float, hold: Callable[[socket.socket], None]) -> socket.socket:
    try:
        found = socket.getaddrinfo(settings.host, settings.port_used, type=socket.SOCK_STREAM)
    except OSError as cause:
        raise Unreachable(
            f"the broker's name {settings.host} can't be resolved: {cause.strerror}",
            hint="correct host, or check the network and its name server",
        ) from cause
    failure: OSError = OSError("it has no address")
    for family, kind, protocol, _, address in found:
        opened = socket.socket(family, kind, protocol)
        try:
            opened.settimeout(_left(settings, deadline))
            hold(opened)
            opened.connect(address)
        except OSError as cause:
            opened.close()
            failure = cause
        except Unreachable:
            opened.close()
            raise
        else:
            return opened
    raise _no_connection(settings, failure) from failure


def _left(settings: MqttSettings, deadline: float) -> float:
    left = deadline - time.monotonic()
    if left <= 0:
        raise _too_late(settings)
    return left


def _too_late(settings: MqttSettings) -> Unreachable:
    return Unreachable(
        f"{settings.where} does not answer within {settings.connect_timeout_s:g} s",
        hint="look whether the broker runs there, and at the network",
    )


def _no_connection(settings: MqttSettings, cause: OSError) -> Unreachable:
    if isinstance(cause, TimeoutError):
        return _too_late(settings)
    if isinstance(cause, ConnectionRefusedError):
        return Unreachable(
            f"nothing listens at {settings.where}", hint="start the broker, or correct host and port"
        )
    return Unreachable(
        f"{settings.where} can't be reached: {cause.strerror or cause}",
        hint="check the broker and the network",
    )


def _tls(settings: MqttSettings, folder: Path) -> ssl.SSLContext:
    """Return what certificates are held against and shown; the broker's name is always checked."""
    names = (settings.ca_file, settings.client_certificate_file, settings.client_key_file)
    ca, certificate, key = (None if name is None else folder / name for name in names)
    path = ca
    try:
        context = ssl.create_default_context(cafile=ca)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if certificate is not None:
            path = certificate if key is None or not certificate.is_file() else key
            context.load_cert_chain(certificate, key, password=_no_passphrase)
    except (OSError, ValueError) as cause:
        words = (cause.strerror or str(cause)) if isinstance(cause, OSError) else str(cause)
        raise Unreachable(
            f"{path}: {words}", hint="put certificates and key there as PEM, readable for the service's user"
        ) from cause
    return context


def _no_passphrase() -> str:
    # Without this OpenSSL would ask on the terminal and the daemon would hang.
    raise ValueError("the key has a passphrase; store it without one")


def password(settings: MqttSettings, folder: Path) -> str | None:
    """Return the password as it is now; None where there is none. Raises `Unreachable`, and never shows it."""
    return secret.password(folder, settings.password_file, settings.password_env)
