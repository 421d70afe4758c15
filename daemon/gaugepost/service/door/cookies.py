"""The cookie that proves a session, and what a command that comes with it must show beside it.

Sources: OWASP Cross-Site Request Forgery Prevention Cheat Sheet (synchronizer token in a header of its own; Fetch
Metadata, and Origin where a browser sends none), W3C Fetch Metadata Request Headers, RFC 6265bis.
"""

from __future__ import annotations

import hmac

from fastapi.responses import JSONResponse, Response

from gaugepost.service.door.sessions import LIFE_MS, Session
from gaugepost.service.problems import problem

CSRF_HEADER = "X-CSRF-Token"
UNATTENDED_HEADER = "X-Unattended"
"""Comes with what the page asks for by itself while nobody touches it: that is no use of a session."""
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing (RFC 9110, 9.2.1)."""


def name_of(*, tls: bool) -> str:
    """Return what the cookie is called. Under TLS its name holds it to this host, to all paths and to TLS."""
    return "__Host-gaugepost" if tls else "gaugepost"


def proof_in(cookies: list[str], *, tls: bool) -> str | None:
    """Return what `Cookie` headers bring to prove a session, or None; two of the name prove nothing."""
    found = []
    for header in cookies:
        for part in header.split(";"):
            name, _, value = part.strip().partition("=")
            if name == name_of(tls=tls):
                found.append(value)
    return found[0] if len(found) == 1 and len(found[0]) <= 200 else None


def put(answer: Response, proof: str, *, tls: bool) -> None:
    """Have the browser keep what proves the session, out of reach of any script and of other sites' requests."""
    answer.set_cookie(
        name_of(tls=tls),
        proof,
        max_age=LIFE_MS // 1000,
        path="/",
        secure=tls,
        httponly=True,
        samesite="strict",
    )


def take_back(answer: Response, *, tls: bool) -> None:
    """Have the browser forget it."""
    answer.delete_cookie(name_of(tls=tls), path="/", secure=tls, httponly=True, samesite="strict")


def forged(
    method: str, session: Session, sites: list[str], origins: list[str], shown: list[str]
) -> JSONResponse | None:
    """Return the refusal of a command that a page elsewhere may have had the browser send with the cookie.

    `sites` are the Sec-Fetch-Site headers, `origins` the Origin headers, which are ours or refused already, `shown`
    those of `CSRF_HEADER`.
    """
    if method in SAFE:
        return None
    if sites != ["same-origin"] and (sites or not origins):
        return problem(
            403,
            "a command with a cookie must come from the service's own page",
            "open the service's own address; a program sends a token instead of a cookie",
        )
    if len(shown) != 1 or not hmac.compare_digest(shown[0].encode("latin-1"), session.csrf.encode()):
        return problem(
            403,
            f"a command with a cookie needs the {CSRF_HEADER} header",
            "send what GET /v1/session says as csrf",
        )
    return None
