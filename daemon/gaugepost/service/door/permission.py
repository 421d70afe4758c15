"""Who may ask what: a token for each request where the service demands one, and few tries at guessing it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from fastapi.responses import JSONResponse

from gaugepost.core.access import Scope, held
from gaugepost.core.errors import SettingsError
from gaugepost.core.indication import Moment
from gaugepost.edge.access import AccessFile
from gaugepost.service.problems import problem

WRONG_TRIES = 10
"""Wrong tokens from one address within `FORGET_MS`; then it is answered only that it has to wait."""
FORGET_MS = 60_000
MOST_ADDRESSES = 1000
"""Addresses whose wrong tries are remembered; beyond that the oldest are forgotten."""


@dataclass(slots=True)
class Permission:
    """Lets a request through or says why not."""

    file: AccessFile
    now: Callable[[], Moment]
    _wrong: dict[str, list[int]] = field(default_factory=dict)

    def refusal(self, method: str, path: str, said: list[str], address: str) -> JSONResponse | None:
        """Return why a request with these `Authorization` headers may not be answered (RFC 6750, 3.1)."""
        now = self.now()
        tries = [at for at in self._wrong.get(address, ()) if now.clock_ms - at < FORGET_MS]
        if len(tries) >= WRONG_TRIES:
            seconds = max(1, (FORGET_MS - (now.clock_ms - tries[0])) // 1000)
            return problem(
                429,
                "too many wrong tokens from this address",
                f"wait {seconds} s",
                {"Retry-After": str(seconds)},
            )
        token = _bearer(said)
        if token is None:
            return _unknown("no token came with the request", "")
        try:
            grant = held(self.file.grants(), token, now.utc_ms)
        except SettingsError as error:
            return problem(503, error.finding, error.hint)
        if grant is None:
            self._remember(address, [*tries, now.clock_ms])
            return _unknown("the token is not known, revoked or over", ' error="invalid_token"')
        needed = scope_of(method, path)
        if not grant.scope.includes(needed):
            return problem(
                403,
                f"{grant.name} may {grant.scope.value}, and this asks for {needed.value}",
                f"have a token made with --scope {needed.value}",
                {
                    "WWW-Authenticate": f'Bearer realm="gaugepost", error="insufficient_scope", scope="{needed.value}"'
                },
            )
        return None

    def counts(self, said: list[str]) -> bool:
        """Return whether the token in these headers, which let a request in, still counts."""
        token = _bearer(said)
        try:
            return token is not None and held(self.file.grants(), token, self.now().utc_ms) is not None
        except SettingsError:
            return False

    def _remember(self, address: str, tries: list[int]) -> None:
        self._wrong.pop(address, None)
        self._wrong[address] = tries[-WRONG_TRIES:]
        while len(self._wrong) > MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]


def scope_of(method: str, path: str) -> Scope:
    """Return what a request asks for: to look, to do what is done at the bench, or to change the station."""
    if method in ("GET", "HEAD", "OPTIONS"):
        return Scope.READ
    return Scope.SET_UP if path.startswith("/v1/destinations/") and path.endswith("/skip") else Scope.OPERATE


def _bearer(said: list[str]) -> str | None:
    if len(said) != 1:
        return None
    kind, _, token = said[0].partition(" ")
    return token.strip() if kind.lower() == "bearer" else None


def _unknown(detail: str, more: str) -> JSONResponse:
    comma = "," if more else ""
    return problem(
        401,
        detail,
        "send Authorization: Bearer TOKEN; `gaugepost access grant NAME` on the service's computer makes one",
        {"WWW-Authenticate": f'Bearer realm="gaugepost"{comma}{more}'},
    )
