"""A port of this computer that is free, and stays so until a test's server takes it."""

from __future__ import annotations

import random
import socket
from pathlib import Path

_RANGE = Path("/proc/sys/net/ipv4/ip_local_port_range")


def free_port() -> int:
    """Return a port that nobody uses, out of those that the kernel gives to no outgoing connection by itself.

    One out of the kernel's own range could be taken, between this answer and the server's start, by any connection
    that some other test makes.
    """
    below = int(_RANGE.read_text().split()[0])
    while True:
        port = random.randrange(10_000, below)
        with socket.socket() as found:
            try:
                found.bind(("127.0.0.1", port))
            except OSError:
                continue
        return port
