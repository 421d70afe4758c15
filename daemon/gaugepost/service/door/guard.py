"""The door of the service: who may ask, from where, and how much may be said.

Where the service listens on loopback only, that keeps other computers out but not the pages that a browser on this one
has open. A page elsewhere can point its own name at the service's address (DNS rebinding) or post a form: the Host
header, the Origin header, Sec-Fetch-Site and the content type give it away. Who may not ask is told so before anything
of a body is read; who may is known to the routes as `request.state.asker`.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Collection

from fastapi.responses import JSONResponse, Response
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gaugepost.service.door.cookies import CSRF_HEADER, UNATTENDED_HEADER
from gaugepost.service.door.permission import Permission, Request
from gaugepost.service.problems import problem

MAX_BODY_BYTES = 64 * 1024
MAX_FILE_BYTES = 1 << 20
"""Of what has much of a station file in it: an edit, a drawing's list."""
BODY_S = 10.0
"""How long a body may take to arrive."""
LOOK_S = 2.0
"""How often it is looked whether the token of a request that goes on still counts."""

_WITH_BODY = frozenset({"POST", "PUT", "PATCH", "DELETE"})
_LOOPBACK = re.compile(
    r"(?:localhost|127(?:\.[0-9]{1,3}){3}|\[::1\])(?::[0-9]{1,5})?", re.ASCII | re.IGNORECASE
)


_SAFER = (
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'; base-uri 'none'"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
"""Said with every answer: what a browser must not make of it (RFC 9111; W3C Content Security Policy Level 3; HTML
Standard, cross-origin opener policies; Fetch Standard, cross-origin resource policy). A page of ours says its own
policy. HSTS is not said: it would bind every other service of the same host."""


class Guard:
    """Refuses what a stranger, a stranger's page or a runaway client sends, before anything looks at it."""

    def __init__(self, app: ASGIApp, permission: Permission, names: Collection[str] = ()) -> None:
        """`names` are hosts that the service is known by beside loopback."""
        self._app = app
        self._names = frozenset(name.lower() for name in names)
        self._permission = permission

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, its body read whole, or answer with why not."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers: list[tuple[bytes, bytes]] = scope["headers"]
        taken = False
        refusal: Response | None = stranger(
            _all(headers, b"host"), _all(headers, b"origin"), scheme=scope["scheme"], names=self._names
        ) or elsewhere(scope["method"], _all(headers, b"sec-fetch-site"), _all(headers, b"sec-fetch-mode"))
        if refusal is None:
            taken = _taken(scope)
            admitted = self._permission.admit(_request(scope, taken=taken))
            if isinstance(admitted, Response):
                refusal = admitted
            else:
                scope.setdefault("state", {})["asker"] = admitted.asker
                if admitted.counts is not None:
                    receive = _while_it_counts(receive, admitted.counts)
        if refusal is None and taken and scope["method"] in _WITH_BODY:
            try:
                most = MAX_FILE_BYTES if scope["path"].startswith("/v1/station/") else MAX_BODY_BYTES
                async with asyncio.timeout(BODY_S):
                    body = await _body(headers, receive, most)
            except TimeoutError:
                refusal = problem(408, f"the body did not arrive within {BODY_S:g} s", "send it in one go")
            else:
                if body is None:
                    return
                refusal = unfit(scope["method"], body, _all(headers, b"content-type"), most)
                receive = _again(body, receive)
        await (refusal or self._app)(scope, receive, _safer(send))


def stranger(
    hosts: list[str], origins: list[str], *, scheme: str = "http", names: Collection[str] = ()
) -> JSONResponse | None:
    """Return the refusal of a request that is not meant for this computer or comes from a page that is not ours."""
    if len(hosts) != 1 or not (_LOOPBACK.fullmatch(hosts[0]) or _without_port(hosts[0]) in names):
        known = ", ".join(sorted(names)) or "127.0.0.1, [::1] or localhost"
        return problem(421, "the Host header names another computer", f"ask at {known}")
    if any(origin.lower() != f"{scheme}://{hosts[0].lower()}" for origin in origins):
        return problem(
            403, "a page from elsewhere may not ask here", "open the service's own address instead"
        )
    return None


def elsewhere(method: str, sites: list[str], modes: list[str]) -> JSONResponse | None:
    """Return the refusal of what a page from elsewhere has the browser ask for; a link to the service is none.

    Source: W3C Fetch Metadata Request Headers; its resource isolation policy.
    """
    if all(site in ("same-origin", "none") for site in sites) or (method == "GET" and modes == ["navigate"]):
        return None
    return problem(403, "a page from elsewhere may not ask here", "open the service's own address instead")


def _request(scope: Scope, *, taken: bool) -> Request:
    headers: list[tuple[bytes, bytes]] = scope["headers"]
    return Request(
        method=scope["method"],
        path=scope["path"],
        address=scope["client"][0] if scope["client"] else "",
        tls=scope["scheme"] == "https",
        authorizations=_all(headers, b"authorization"),
        cookies=_all(headers, b"cookie"),
        sites=_all(headers, b"sec-fetch-site"),
        origins=_all(headers, b"origin"),
        csrf=_all(headers, CSRF_HEADER.lower().encode()),
        unattended=bool(_all(headers, UNATTENDED_HEADER.lower().encode())),
        taken=taken,
    )


def _taken(scope: Scope) -> bool:
    """Return whether anything takes this method here; what nothing takes is answered without a look at its body."""
    return any(route.matches(scope)[0] is Match.FULL for route in scope["app"].routes)


def _without_port(host: str) -> str:
    return re.sub(r":[0-9]{1,5}\Z", "", host).lower()


def _while_it_counts(receive: Receive, counts: Callable[[], bool]) -> Receive:
    """Return a `receive` that says the client is gone once its token counts no more: a stream may last for years."""

    async def received() -> Message:
        waiting = asyncio.ensure_future(receive())
        try:
            while not (await asyncio.wait({waiting}, timeout=LOOK_S))[0]:
                if not counts():
                    return {"type": "http.disconnect"}
            return waiting.result()
        finally:
            waiting.cancel()

    return received


def _safer(send: Send) -> Send:
    """Return a `send` that says with every answer what a browser must not make of it."""

    async def safer(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {name.lower() for name, _ in message["headers"]}
            message["headers"] = [*message["headers"], *(each for each in _SAFER if each[0] not in given)]
        await send(message)

    return safer


def unfit(method: str, body: bytes, types: list[str], most: int) -> JSONResponse | None:
    """Return the refusal of a body of more than `most` bytes, or that does not say that it is JSON."""
    if len(body) > most:
        return problem(413, f"the body is longer than {most} bytes", "send one command at a time")
    if not body and method == "DELETE":
        return None
    if [said.partition(";")[0].strip().lower() for said in types] != ["application/json"]:
        return problem(415, "a command is sent as JSON", "send it with Content-Type: application/json")
    return None


async def _body(headers: list[tuple[bytes, bytes]], receive: Receive, most: int) -> bytes | None:
    """Return the body, cut where it is longer than `most` bytes, or None where the client left."""
    for length in _all(headers, b"content-length"):
        if length.isdecimal() and int(length) > most:
            return bytes(most + 1)
    parts, size = [], 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return None
        part: bytes = message.get("body", b"")
        parts.append(part)
        size += len(part)
        if size > most or not message.get("more_body", False):
            return b"".join(parts)


def _again(body: bytes, receive: Receive) -> Receive:
    """Return a `receive` that gives the whole body first."""
    waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def given() -> Message:
        return waiting.pop() if waiting else await receive()

    return given


def _all(headers: list[tuple[bytes, bytes]], name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in headers if key == name]
