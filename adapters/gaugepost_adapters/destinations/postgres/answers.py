"""What a server's error means for the records that were sent: refused, or kept and sent again; and what to do about it.

By SQLSTATE (PostgreSQL 15 documentation, appendix A). Only a few classes speak of the rows themselves; whatever else
is said is about the server, the way to it or the schema, and is waited out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

import psycopg
from psycopg import errors

from gaugepost.contract import Unreachable
from gaugepost_adapters.destinations.postgres.settings import PostgresSettings

EXCERPT = 300
"""Characters of an answer that are kept."""

_OF_ROWS = ("22", "23", "44", "54", "P0")
"""Classes that speak of a row: data, constraints, a view's check, limits of size, and what a trigger raises."""

_KEPT = "records are kept meanwhile"
_STATES: dict[str, str] = {
    "08": "check the network; records are sent again",
    "25006": "it is a standby, or set to read-only: write the host that takes rows, or wait until it is one",
    "28": "correct username and password, and have the server let this station in (pg_hba.conf)",
    "28000": "have the server let this user, computer and database in (pg_hba.conf)",
    "3D000": "make the database there, or correct database",
    "3F000": "have the schema made (deploy/postgres.md), or write create = true",
    "40": "others worked on the same rows; it is sent again",
    "42501": "grant what it names to this user (deploy/postgres.md says what a station needs)",
    "42": "have the schema made anew (deploy/postgres.md); it is looked at for every connection",
    "53100": f"free space on the server's disk; {_KEPT}",
    "53300": f"raise max_connections, or end connections there; {_KEPT}",
    "53": f"look at the server's log, it lacks something; {_KEPT}",
    "55P03": f"somebody holds the table locked: end that, or raise lock_timeout_s; {_KEPT}",
    "55": f"look who holds what it names; {_KEPT}",
    "57014": "look why the server is slow, or raise statement_timeout_s; records are sent again",
    "57P03": f"wait until the server has started; {_KEPT}",
    "57": f"look at the server; {_KEPT}",
    "58": f"look at the server's disk and its log; {_KEPT}",
    "XX": f"look at the server's log, its data may be damaged; {_KEPT}",
}
"""What to do, by SQLSTATE or its class."""

_WHERE = re.compile(r"^(connection failed: )?(connection to server (at|on) .*? failed: )?((FATAL|ERROR): +)?")
_WORDS: tuple[tuple[str, str], ...] = (
    ("does not match host name", "write as host the name that its certificate was made for"),
    (
        "certificate verify failed",
        "write as ca_file the certificate (PEM) of whoever signed the server's; where it has expired, have it renewed",
    ),
    ("has group or world access", "let nobody but the service's user read client_key_file (chmod 600)"),
    ("private key file", "put the key there as PEM, without a passphrase, readable for the service's user"),
    ("certificate file", "put the certificate there as PEM, readable for the service's user"),
    ("could not load", "put certificates and key there as PEM, readable for the service's user"),
    ("does not support SSL", "switch TLS on at the server, or write allow_plain_postgres = true without tls"),
    ("valid client certificate", "it wants a certificate of this station; write client_certificate_file"),
    ("certificate required", "it wants a certificate of this station; write client_certificate_file"),
    ("alert", "it wants a certificate it trusts; write client_certificate_file and client_key_file"),
    ("authentication method requirement", "without TLS no password is sent in the clear; write tls = true"),
    ("no password supplied", "write password_file or password_env"),
    ("password authentication failed", "correct username and password; the file is read again each time"),
    ("no pg_hba.conf entry", "have the server let this user, computer and database in (pg_hba.conf)"),
    ("does not exist", "make what it names on the server, or correct database and username"),
    ("too many c", f"raise max_connections or the user's limit there; {_KEPT}"),
    ("starting up", f"wait until the server has started; {_KEPT}"),
    ("shutting down", f"start the server again; {_KEPT}"),
    ("Connection refused", "start the server, or correct host and port"),
    ("No such file or directory", "start the server, or correct host: the folder of its socket"),
    ("resolve host", "correct host, or check the network and its name server"),
    ("Name or service not known", "correct host, or check the network and its name server"),
    ("SSL", "check that the server speaks TLS 1.2 or newer at this port"),
)
"""What to do by what is said where there is no SQLSTATE: the first that is found counts."""


class RowsRefused(Exception):
    """At least one of the rows will never be taken; the message is the server's answer."""


def judged(
    cause: psycopg.Error, settings: PostgresSettings, secrets: Iterable[str] = ()
) -> RowsRefused | Unreachable:
    """Return what an error means; no word of `secrets` is in it, nor the rows' own values beyond a line."""
    state, said = cause.sqlstate or "", words(cause, secrets)
    if state[:2] in _OF_ROWS:
        return RowsRefused(f"{said} ({state})")
    hint = _STATES.get(state) or _STATES.get(state[:2]) if state else _by_words(said)
    told = f"{said} ({state})" if state else said
    return Unreachable(
        f"{settings.where}: {told}", hint=hint or "look at the server and its log; records are sent again"
    )


def words(cause: psycopg.Error, secrets: Iterable[str] = ()) -> str:
    """Return what an error says, on one line: the message, and of which column or constraint it speaks."""
    diagnostic = cause.diag
    said = diagnostic.message_primary or _last_line(cause)
    of = [
        f"{what} {name}"
        for what, name in (("column", diagnostic.column_name), ("constraint", diagnostic.constraint_name))
        if name and name not in said
    ]
    if diagnostic.context and diagnostic.context.startswith("COPY"):
        of += [part for part in diagnostic.context.split(":")[0].split(", ") if part.startswith("column")]
    text = f"{said} ({', '.join(of)})" if of else said
    for secret in secrets:
        text = text.replace(secret, "…")
    text = " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())
    return text if len(text) <= EXCERPT else text[: EXCERPT - 1].rstrip() + "…"


def _last_line(cause: psycopg.Error) -> str:
    if isinstance(cause, errors.ConnectionTimeout):
        return "no connection in time"
    lines = [line for line in str(cause).splitlines() if line.strip()]
    # "connection failed: connection to server at "10.0.0.7", port 5432 failed: FATAL:  …": where, is said anyway.
    return _WHERE.sub("", lines[0]) if lines else type(cause).__name__


def _by_words(said: str) -> str:
    for word, hint in _WORDS:
        if word in said:
            return hint
    return "check the server and the network; records are sent again"
