"""What each request asks for, by its address: told before anything of it is read."""

from __future__ import annotations

import re

from gaugepost.core.access import Scope
from gaugepost.service.door.cookies import SAFE

SIGN_IN = "POST", "/v1/session"
"""The one request under /v1 that nobody has to prove anything for."""

PAGE, SIGN_IN_PAGE = "/", "/sign-in"
"""Where the bench page is, and where a browser is sent that may not have it yet."""

_OPEN_PAGES = re.compile(r"/sign-in|/page/(?:common|words)/[a-z_.]+")
"""What it takes to sign in at all: the same files wherever this program runs, which say nothing of the station."""

_OWN = re.compile(r"/v1/session(?:/pin)?")
"""What concerns nobody but whoever asks."""
_ADMINISTER = re.compile(r"/v1/(?:people|sessions)(?:/.*)?", re.DOTALL)
_SET_UP = re.compile(
    r"/v1/station/.*|/v1/destinations/.*/skip|/v1/[^/]+/.*/rejudgement|/v1/(?:lessons|devices)(?:/.*)?",
    re.DOTALL,
)
"""What changes the station, or what many records of it say."""


def is_open(method: str, path: str) -> bool:
    """Return whether nobody has to prove anything for a request."""
    return (method, path) == SIGN_IN or (method == "GET" and _OPEN_PAGES.fullmatch(path) is not None)


def scope_of(method: str, path: str) -> Scope:
    """Return what a request asks for: to look, to do what is done at the bench, to change the station, or who may."""
    if _ADMINISTER.fullmatch(path):
        return Scope.ADMINISTER
    if method in SAFE or _OWN.fullmatch(path):
        return Scope.READ
    return Scope.SET_UP if _SET_UP.fullmatch(path) else Scope.OPERATE
