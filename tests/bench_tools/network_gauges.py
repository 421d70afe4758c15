"""Gauges on the network beside those on pseudo-terminals: a socket that frames are written to, a station with them."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from typing import Self


class SocketGauge:
    """A device server that sends bytes and nothing else; the station's link connects to `url`."""

    def __init__(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.settimeout(60)
        self.url = f"socket://127.0.0.1:{self._listening.getsockname()[1]}"
        self._joined: socket.socket | None = None

    def send(self, data: bytes) -> None:
        """Send to whoever connected first."""
        if self._joined is None:
            self._joined, _ = self._listening.accept()
            self._joined.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._joined.sendall(data)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._joined is not None:
            self._joined.close()
        self._listening.close()


def with_network_gauges(station: str, urls: Mapping[str, str]) -> str:
    """Return a station of `station_file` with a gauge more for each name and address."""
    tables = "".join(
        f"""
[links.{name}]
kind = "serial_port"
url = "{url}"
[links.{name}.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm", in = "in" }}
[gauges.{name}]
link = "{name}"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
"""
        for name, url in urls.items()
    )
    more = "".join(f', "{name}"' for name in urls)
    return station.replace('gauges = ["g0"', f'gauges = ["g0"{more}') + tables
