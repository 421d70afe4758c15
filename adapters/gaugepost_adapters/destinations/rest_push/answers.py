"""What an HTTP answer means for the records that were sent: taken, refused, too many at once, or later.

Status codes by RFC 9110, 429 by RFC 6585; 409 and 422 as the IETF draft "The Idempotency-Key HTTP Header Field" has
them (from memory): 409 says that the first request with this key is still being worked on, so it is asked again until
it is done, and never counts as taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC
from email.utils import parsedate_to_datetime
from http import HTTPStatus

EXCERPT = 300
"""Characters of an answer's body that are kept."""


@dataclass(frozen=True, slots=True)
class Taken:
    """The far side holds every record of the request."""


@dataclass(frozen=True, slots=True)
class Refused:
    """At least one record of the request will never be taken."""

    answer: str


@dataclass(frozen=True, slots=True)
class TooLarge:
    """The request is too large; by halves it may pass."""

    answer: str


@dataclass(frozen=True, slots=True)
class Later:
    """Nothing is said about the records: they are kept and sent again."""

    finding: str
    hint: str
    retry_after_s: float | None = None


Judgement = Taken | Refused | TooLarge | Later

_LATER: dict[int, tuple[str, str]] = {
    401: ("it wants other credentials", "renew the token; its file is read again when it changes"),
    403: ("it does not let these credentials in", "have it allow them, or renew the token"),
    404: ("it knows no such address", "correct url, or wait until it is set up there"),
    405: ("it does not take this method there", 'write method = "PUT" or method = "POST"'),
    407: ("the proxy wants credentials", "use a proxy that lets this station through"),
    408: ("the request did not come in time", "check the network; it is sent again"),
    409: ("it is still at work on this batch", "it is asked again until it is done"),
    411: ("it wants requests of another sort", "compare its manual with body and gzip"),
    415: (
        "it does not take this sort of content",
        "write gzip = false, or in headers a Content-Type it takes",
    ),
    413: ("it can't take so much now", "it is sent again when it asks for it"),
    425: ("it can't take this so early on a connection", "it is sent again"),
    429: ("it is asked too often", "it is asked again more slowly"),
    503: ("it is not ready", "look at the far side; records are sent again"),
}
_OTHER = ("it does not take such requests", "compare its manual with url, method, body and headers")
_FAILED = ("it failed", "look at the far side's own log; records are sent again")


def judge(
    status: int, headers: Mapping[str, str], body: bytes, *, now_s: float, secrets: Iterable[str] = ()
) -> Judgement:
    """Return what an answer means; `headers` have lower-case names, `body` is its beginning, `now_s` UTC.

    No word of `secrets` is in what is returned.
    """
    if 200 <= status < 300:
        return Taken()
    said = excerpt(body, secrets) if "content-encoding" not in headers else ""
    answer = f"{_named(status)}: {said}" if said else _named(status)
    wait_s = retry_after_s(headers, now_s=now_s)
    if status in (400, 422):
        return Refused(answer)
    if status == 413 and wait_s is None:  # with a wait it is a passing condition (RFC 9110, 15.5.14)
        return TooLarge(answer)
    if 300 <= status < 400:
        location = excerpt(headers.get("location", "").partition("?")[0].encode(), secrets)
        finding = f"it sends us elsewhere{', to ' if location else ''}{location}"
        hint = "redirects are not followed; write the address it points to as url"
    else:
        finding, hint = _LATER.get(status, _FAILED if status >= 500 or status < 200 else _OTHER)
    asks = "" if wait_s is None else f" (it asks to be left alone for {wait_s:.0f} s)"
    return Later(f"{finding}{asks}: {answer}", hint, wait_s)


def excerpt(body: bytes, secrets: Iterable[str] = ()) -> str:
    """Return the beginning of what a body says, on one line, without `secrets` and without what does not print."""
    text = body.decode(errors="replace")
    for secret in secrets:
        text = text.replace(secret, "…")
    text = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return text if len(text) <= EXCERPT else text[: EXCERPT - 1].rstrip() + "…"


def retry_after_s(headers: Mapping[str, str], *, now_s: float) -> float | None:
    """Return how long the far side asks to be left alone (RFC 9110, 10.2.3), in seconds; None where it does not.

    A date is held against the far side's own clock where the answer has a Date, else against `now_s` (UTC).
    """
    text = headers.get("retry-after", "").strip()
    if re.fullmatch(r"[0-9]{1,18}", text, re.ASCII):
        return float(text)
    until_s = _date_s(text)
    if until_s is None:
        return None
    here_s = _date_s(headers.get("date", ""))
    return max(0.0, until_s - (now_s if here_s is None else here_s))


def _date_s(text: str) -> float | None:
    try:
        moment = parsedate_to_datetime(text)
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
    except (ValueError, TypeError, OverflowError):
        return None


def _named(status: int) -> str:
    try:
        return f"{status} {HTTPStatus(status).phrase}"
    except ValueError:
        return str(status)
