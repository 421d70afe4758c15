"""A running service's records in their order, asked for over REST as they happen."""

from __future__ import annotations

import http.client
import json
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from gaugepost.core.errors import CommandRefused, Unreachable

PATIENCE_S = 10.0
"""How long an answer may take beyond what it was asked to wait."""


def ask(
    address: str, method: str, path: str, body: Mapping[str, object] | None = None, *, wait_s: float = 0.0
) -> dict[str, Any]:
    """Return the JSON that the service at `address` (http://host:port) answers with.

    Raises:
        Unreachable: nobody answers there, or somebody else does.
        CommandRefused: the service refuses, with its own words and hint.
    """
    place = urlsplit(address)
    # No proxy is asked: the service is on this computer.
    connection = http.client.HTTPConnection(place.hostname or "", place.port, timeout=wait_s + PATIENCE_S)
    try:
        sent = None if body is None else json.dumps(body).encode()
        connection.request(method, path, sent, {"Content-Type": "application/json"} if sent else {})
        response = connection.getresponse()
        answer = json.loads(response.read())
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise Unreachable(
            f"no station answers at {address}: {str(error) or type(error).__name__}",
            hint="start it with `gaugepost run`, or name its address with --at or its file with --station",
        ) from error
    finally:
        connection.close()
    if not isinstance(answer, dict):
        raise Unreachable(f"what answers at {address} is no station", hint="name its address with --at")
    if response.status >= 400:
        raise CommandRefused(str(answer.get("detail", response.reason)), hint=str(answer.get("hint", "")))
    return answer


class Feed:
    """The journal from one point on. Each record comes once; another epoch begins anew."""

    def __init__(self, address: str, after: int = 0, epoch: str | None = None) -> None:
        self.address = address
        self._after, self._epoch = after, epoch

    @classmethod
    def from_now(cls, address: str) -> Feed:
        """Return the feed of what happens from now on. Raises as `ask`."""
        station = ask(address, "GET", "/v1/station")
        return cls(address, int(station["head"]), str(station["epoch"]))

    def page(self, wait_s: float) -> list[dict[str, Any]]:
        """Return the next records, as soon as there are any, or none after `wait_s` seconds. Raises as `ask`."""
        try:
            answer = self._page(wait_s)
        except CommandRefused:
            # The journal ends before where this feed stood: another one lies there now, or it was cut back.
            if self._epoch is None:
                raise
            self._after = 0
            answer = self._page(wait_s)
        if self._epoch not in (None, answer["epoch"]) and self._after:
            self._after = 0
            answer = self._page(wait_s)
        self._epoch, self._after = str(answer["epoch"]), int(answer["next"])
        records: list[dict[str, Any]] = answer["records"]
        return records

    def _page(self, wait_s: float) -> dict[str, Any]:
        return ask(self.address, "GET", f"/v1/records?after={self._after}&wait={wait_s:g}", wait_s=wait_s)
