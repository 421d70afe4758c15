"""Who may ask what: a token or somebody's session where the service demands one, and few tries at guessing it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from fastapi.responses import JSONResponse, RedirectResponse, Response

from gaugepost.core.access import Asker, Scope, held, is_token
from gaugepost.core.errors import SettingsError
from gaugepost.core.indication import Moment
from gaugepost.edge.access import AccessFile, PeopleFile
from gaugepost.service.door import cookies
from gaugepost.service.door.scopes import PAGE, SIGN_IN_PAGE, is_open, scope_of
from gaugepost.service.door.sessions import Session, Sessions, counts_for
from gaugepost.service.problems import problem

WRONG_TRIES = 10
"""Wrong tokens from one address within `FORGET_MS`; then it is answered only that it has to wait."""
FORGET_MS = 60_000
MOST_ADDRESSES = 1000
"""Addresses whose wrong tries are remembered; beyond that the oldest are forgotten."""


@dataclass(frozen=True, slots=True)
class Request:
    """What is known of a request before anything of its body is read."""

    method: str
    path: str
    address: str
    tls: bool
    authorizations: list[str]
    cookies: list[str]
    sites: list[str]
    """Sec-Fetch-Site headers."""
    origins: list[str]
    """Origin headers; strangers' are refused before."""
    csrf: list[str]
    unattended: bool
    """Whether a page says that it asks by itself, and nobody sits at it."""
    taken: bool
    """Whether anything here takes this method; else the answer is that nothing does."""

    @property
    def needed(self) -> Scope:
        """What it takes."""
        return scope_of(self.method, self.path) if self.taken else Scope.READ


@dataclass(frozen=True, slots=True)
class Admitted:
    """Somebody who may have what was asked for."""

    asker: Asker
    counts: Callable[[], bool] | None = None
    """Whether what let them in still counts; None where nothing had to."""


@dataclass(slots=True)
class Permission:
    """Lets a request through or says why not."""

    tokens: AccessFile
    people: PeopleFile
    sessions: Sessions
    now: Callable[[], Moment]
    demanded: bool
    """Whether even looking takes a token or a session: beyond loopback, or where the station file says so."""
    _wrong: dict[str, list[int]] = field(default_factory=dict)

    def admit(self, asked: Request) -> Admitted | Response:
        """Return who asks, or why they may not be answered (RFC 6750, 3.1)."""
        try:
            people = self.people.ids()
            if not people and not self.demanded:
                anybody = Asker(scope=Scope.SET_UP)
                return _within(
                    asked, Admitted(anybody), "have an administrator added: `gaugepost access add`"
                )
            if is_open(asked.method, asked.path):
                return Admitted(Asker(scope=Scope.READ, people=people))
            if asked.authorizations:
                return self._by_token(asked, people)
            found = self._session(asked)
            if found is not None:
                return self._by_session(asked, *found, people)
        except SettingsError as error:
            return problem(503, error.finding, error.hint)
        if asked.needed is Scope.READ and not self.demanded:
            return Admitted(Asker(scope=Scope.READ, people=people))
        if (asked.method, asked.path) == ("GET", PAGE):
            return RedirectResponse(SIGN_IN_PAGE, 303)
        return _unknown("neither a token nor a session came with the request", "")

    def _by_token(self, asked: Request, people: frozenset[str]) -> Admitted | JSONResponse:
        now = self.now()
        tries = [at for at in self._wrong.get(asked.address, ()) if now.clock_ms - at < FORGET_MS]
        if len(tries) >= WRONG_TRIES:
            seconds = max(1, (FORGET_MS - (now.clock_ms - tries[0])) // 1000)
            return problem(
                429,
                "too many wrong tokens from this address",
                f"wait {seconds} s",
                {"Retry-After": str(seconds)},
            )
        token = _bearer(asked.authorizations)
        if token is None:
            return _unknown("no token came with the request", "")
        grant = held(self.tokens.grants(), token, now.utc_ms)
        if grant is None:
            if is_token(token):
                self._remember(asked.address, [*tries, now.clock_ms])
            return _unknown("the token is not known, revoked or over", ' error="invalid_token"')

        def counts() -> bool:
            try:
                return held(self.tokens.grants(), token, self.now().utc_ms) is not None
            except SettingsError:
                return False

        asker = Asker(scope=grant.scope, name=grant.name, people=people)
        return _within(asked, Admitted(asker, counts), "have a token made with --scope {needed}")

    def _session(self, asked: Request) -> tuple[Session, Scope] | None:
        """Return the session that a cookie proves, and what its person may do now."""
        proof = cookies.proof_in(asked.cookies, tls=asked.tls)
        session = None if proof is None else self.sessions.proven_by(proof)
        if session is None:
            return None
        person = self.people.person(session.person)
        if person is None or not counts_for(session, person):
            self.sessions.end(session.number)
            return None
        return session, person.role.scope

    def _by_session(
        self, asked: Request, session: Session, scope: Scope, people: frozenset[str]
    ) -> Admitted | JSONResponse:
        refusal = cookies.forged(asked.method, session, asked.sites, asked.origins, asked.csrf)
        if refusal is not None:
            return refusal
        if not (asked.unattended and asked.method in cookies.SAFE):
            self.sessions.used(session)

        def counts() -> bool:
            try:
                return self._session(asked) is not None
            except SettingsError:
                return False

        asker = Asker(scope=scope, name=session.person, session=session.number, people=people)
        return _within(asked, Admitted(asker, counts), "ask an administrator for another role")

    def _remember(self, address: str, tries: list[int]) -> None:
        self._wrong.pop(address, None)
        self._wrong[address] = tries[-WRONG_TRIES:]
        while len(self._wrong) > MOST_ADDRESSES:
            del self._wrong[next(iter(self._wrong))]


def _within(asked: Request, admitted: Admitted, remedy: str) -> Admitted | JSONResponse:
    """Return who asks, or the refusal where that takes more than they may."""
    needed, asker = asked.needed, admitted.asker
    if asker.scope.includes(needed):
        return admitted
    if needed is Scope.ADMINISTER and not asker.signed_in:
        remedy = "an administrator signs in, or uses `gaugepost access` on the service's computer"
    return problem(
        403,
        f"{asker.name or 'whoever asks here'} may {asker.scope.value}, and this asks for {needed.value}",
        remedy.format(needed=needed.value),
        {"WWW-Authenticate": f'Bearer realm="gaugepost", error="insufficient_scope", scope="{needed.value}"'},
    )


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
        "a person signs in; a program sends Authorization: Bearer TOKEN, which `gaugepost access grant NAME` on the "
        "service's computer makes",
        {"WWW-Authenticate": f'Bearer realm="gaugepost"{comma}{more}'},
    )
