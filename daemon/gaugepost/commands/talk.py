"""How commands talk to a running service: HTTP to this computer or TLS to another, past any proxy, quick to load."""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import socket
import ssl
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode, urlsplit

from gaugepost.core.errors import CommandRefused, GaugepostError, SettingsError, Unreachable

DEFAULT_AT = "http://127.0.0.1:8620"
ENVIRONMENT = "GAUGEPOST_AT"
TOKEN = "GAUGEPOST_TOKEN"  # noqa: S105  its name, not its value
"""Environment variable with the token that is sent where the service wants one: not an option, which others on this
computer could read in the list of processes."""
AUTHORITY = "GAUGEPOST_CA_FILE"
"""Environment variable that names a file of certificates (PEM) that the service's is held against."""
ANSWER_S = 20.0
"""How long an answer may take, beyond what was asked to wait."""

_OWN = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104  where a service that listens everywhere is found here

Document = dict[str, Any]


def add_at(parser: argparse.ArgumentParser, *, below: bool = False) -> None:
    """Add the two ways to say which service is meant.

    `below`: the parser is one beneath another that has them too; what is not said to it takes nothing back.
    """
    group = parser.add_mutually_exclusive_group()
    default = argparse.SUPPRESS if below else None
    help_at = f"where the service listens (else ${ENVIRONMENT}, else {DEFAULT_AT})"
    group.add_argument("--at", metavar="URL", default=default, help=help_at)
    help_station = "take the address from this station file"
    group.add_argument("--station", metavar="FILE", type=Path, default=default, help=help_station)


def action(
    actions: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    brief: str,
    epilog: str,
    act: Callable[[Service, argparse.Namespace], int],
) -> argparse.ArgumentParser:
    """Add an action that asks the service, and what its help says."""
    parser = actions.add_parser(
        name,
        help=brief,
        description=brief[:1].upper() + brief[1:] + ".",
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(act=act)
    return parser


def service_of(args: argparse.Namespace) -> Service:
    """Return the service that `add_at`'s arguments, the environment or the default name.

    Raises:
        SettingsError: the address or the station file can't be used.
    """
    if args.station is not None:
        from gaugepost.edge.stationfile import read_station

        station = read_station(args.station)
        host = f"[{station.host}]" if ":" in station.host else station.host
        if station.certificate is None:
            return Service(f"http://{host}:{station.port}")
        at = f"https://{station.names[0] if station.names else host}:{station.port}"
        return Service(at, host=_OWN.get(station.host, station.host), authority=station.certificate)
    return Service(args.at or os.environ.get(ENVIRONMENT) or DEFAULT_AT)


def named(*parts: str) -> str:
    """Return the path of something by its names: ("gauges", "bore-38") gives /v1/gauges/bore-38."""
    return "/v1/" + "/".join(quote(part, safe="") for part in parts)


class Service:
    """A service at an address. Each request is a connection of its own, so that a restart of it is no matter."""

    def __init__(self, at: str, *, host: str | None = None, authority: Path | None = None) -> None:
        """Take the address apart; nothing is opened.

        `host` is connected to in place of the name in `at`, which the certificate must have all the same. It is held
        against the certificates (PEM) in `authority`, else in $GAUGEPOST_CA_FILE, else against those that this computer
        trusts.

        Raises:
            SettingsError: not an address of a service.
        """
        self.at = at.rstrip("/")
        try:
            parts = urlsplit(self.at)
            name, port = parts.hostname, parts.port
        except ValueError:
            name = None
        if not name or parts.scheme not in ("http", "https") or parts.path or parts.query or parts.username:
            raise SettingsError(f"{at!r} is not a service's address", hint=f"write it as {DEFAULT_AT}")
        self._tls = parts.scheme == "https"
        self._name, self._host, self._port = name, host or name, port or (443 if self._tls else 80)
        self._authority = authority or os.environ.get(AUTHORITY)
        self._session: dict[str, str] = {}
        """Headers of somebody who is signed in; none where nobody is."""
        self._cookie = ""

    def get(self, path: str, *, wait_s: float = 0.0, **query: str | int | list[str] | None) -> Document:
        """Return what is at `path`; keys of `query` that are None are left out. Raises as `send` does."""
        given = {key: value for key, value in query.items() if value is not None}
        if wait_s:
            given["wait"] = f"{wait_s:g}"
        asked = f"{path}?{urlencode(given, doseq=True)}" if given else path
        return self.send("GET", asked, wait_s=wait_s)

    def send(self, method: str, path: str, body: Document | None = None, *, wait_s: float = 0.0) -> Document:
        """Return the answer to a request with `body` as JSON.

        Raises:
            Unreachable: nothing answers there, or something that is no service of ours.
            CommandRefused: the bench can't do that as things stand.
            GaugepostError: anything else that the service has to say against it.
        """
        connection = http.client.HTTPConnection(self._name, self._port)
        data = None if body is None else json.dumps(body).encode()
        headers = {} if data is None else {"Content-Type": "application/json"}
        headers |= self._session
        if not self._session and (token := os.environ.get(TOKEN, "").strip()):
            headers["Authorization"] = f"Bearer {token}"
        try:
            connection.sock = self._connected(ANSWER_S + wait_s)
            connection.request(method, path, data, headers)
            response = connection.getresponse()
            answer = response.read()
        except TimeoutError as cause:
            hint = "look with `gaugepost bench show` whether it was done"
            raise Unreachable(
                f"{self.at} did not answer within {ANSWER_S + wait_s:g} s", hint=hint
            ) from cause
        except ssl.SSLCertVerificationError as cause:
            raise Unreachable(
                f"the certificate at {self.at} is not trusted: {cause.verify_message}",
                hint=f"name the certificate that it is held against: {AUTHORITY}=/path/of/ca.pem, or --station FILE",
            ) from cause
        except (OSError, http.client.HTTPException) as cause:
            hint = "start it with `gaugepost run STATION_FILE`, or say where it listens with --at URL"
            raise Unreachable(f"no service answers at {self.at}", hint=hint) from cause
        finally:
            connection.close()
        self._cookie = (response.getheader("Set-Cookie") or "").partition(";")[0]
        return self._understood(response, answer)

    @contextlib.contextmanager
    def signed_in(self, said: Document) -> Iterator[None]:
        """Be who signs in with `said`, id and pin or code, for the time of the block. Raises as `send` does."""
        self._session = {"Origin": self.at}
        try:
            answer = self.send("POST", "/v1/session", said)
            self._session |= {"Cookie": self._cookie, "X-CSRF-Token": str(answer["csrf"])}
            try:
                yield
            finally:
                with contextlib.suppress(GaugepostError):
                    self.send("DELETE", "/v1/session")
        finally:
            self._session = {}

    def _connected(self, timeout_s: float) -> socket.socket:
        plain = socket.create_connection((self._host, self._port), timeout_s)
        if not self._tls:
            return plain
        try:
            return self._context().wrap_socket(plain, server_hostname=self._name)
        except BaseException:
            plain.close()
            raise

    def _context(self) -> ssl.SSLContext:
        try:
            context = ssl.create_default_context(cafile=self._authority)
        except OSError as cause:
            raise SettingsError(
                f"{self._authority} holds no certificates: {cause.strerror or cause}",
                hint=f"name a readable file in PEM with {AUTHORITY}=/path/of/ca.pem",
            ) from cause
        if self._authority:  # the service's own certificate will do, whoever signed it
            context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        return context

    def _understood(self, response: http.client.HTTPResponse, answer: bytes) -> Document:
        kind = (response.getheader("Content-Type") or "").partition(";")[0]
        try:
            said = json.loads(answer)
        except ValueError:
            said = None
        if not isinstance(said, dict) or kind not in ("application/json", "application/problem+json"):
            raise Unreachable(
                f"what answers at {self.at} is another program", hint="name the service with --at URL"
            )
        if kind == "application/problem+json":
            if response.status == 401 and not self._session:
                raise CommandRefused(
                    f"{self.at} wants a token: {said.get('detail', '')}",
                    hint=f"put one into {TOKEN}; `gaugepost access grant NAME` on the service's computer makes one",
                )
            error = CommandRefused if response.status == 409 else GaugepostError
            raise error(str(said.get("detail", "refused")), hint=str(said.get("hint", "")))
        return said
