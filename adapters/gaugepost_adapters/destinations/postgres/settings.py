"""What a station file says about a PostgreSQL server, checked without asking it.

The password never stands in the station file: it names the file or the environment variable that holds it.
"""

from __future__ import annotations

import importlib.util
import re
from collections.abc import Iterator
from typing import Self

from pydantic import Field, field_validator, model_validator

from gaugepost.contract import AdapterSettings, Caution
from gaugepost_adapters.destinations.named import FileName, VariableName, can_be_looked_up, is_this_computer

LIBRARY = "psycopg"
INSTALL = 'install it for the service: python -m pip install "psycopg[binary]"'
"""What to do where the library is missing."""

_HOST = re.compile(r"[^\s/@?#,=\[\]\x00-\x1f]+")
_SCHEMA = re.compile(r"[a-z_][a-z0-9_]*")
MOST_NAME_BYTES = 63
"""The server cuts names that are longer (NAMEDATALEN is 64 in every build that is distributed)."""


def check_schema(name: str) -> None:
    """Raise `ValueError` where a schema of the stations' own can't be called so."""
    fits = _SCHEMA.fullmatch(name) and len(name) <= MOST_NAME_BYTES
    if not fits or name.startswith("pg_") or name in ("information_schema", "public"):
        raise ValueError(
            f'{name[:200]!r} can\'t be a schema of its own; write lower-case letters, digits and _, as "gaugepost"'
        )


class PostgresSettings(AdapterSettings):
    """Settings of a destination that keeps a row a record in PostgreSQL, 13 or newer.

    Any number of stations may share a schema: a record's id, which holds its journal's epoch, keeps them apart. The
    schema has one table, `record`, and views on it: deploy/postgres.md.
    """

    host: str = Field(examples=["db.example"])
    """The server's name or address, or the folder of its socket on this computer, as "/var/run/postgresql"."""
    port: int = Field(default=5432, ge=1, le=65_535)
    """Its port."""
    database: str = Field(min_length=1, examples=["quality"])
    """The database. It is not made by the station."""
    database_schema: str = "gaugepost"
    """The schema that rows go to."""
    username: str = Field(min_length=1, examples=["pump-bench-2"])
    """User that the server knows."""
    password_file: FileName | None = Field(default=None, min_length=1)
    """File that holds the password, from the station's data directory on; read for every connection."""
    password_env: VariableName | None = None
    """Environment variable that holds it, where no file does."""
    create: bool = True
    """Whether the station makes schema, table and views where they are missing, and adds what a newer program needs.
    Otherwise they are made beforehand, as deploy/postgres.md says."""
    tls: bool = False
    """Whether the connection is encrypted, and the server's certificate and name are checked (TLS 1.2 or newer)."""
    ca_file: FileName | None = Field(default=None, min_length=1)
    """Certificates (PEM) that the server's is held against, instead of those that this computer trusts."""
    client_certificate_file: FileName | None = Field(default=None, min_length=1)
    """Certificate (PEM) that this station shows."""
    client_key_file: FileName | None = Field(default=None, min_length=1)
    """Its private key (PEM, without a passphrase), where that is not in the same file. Nobody else may read it."""
    allow_plain_postgres: bool = False
    """Whether another computer may be reached without TLS: anyone on the way can read and change what is sent."""
    connect_timeout_s: float = Field(default=10, gt=0, le=600)
    """Seconds that connecting may take, TLS and letting in included."""
    statement_timeout_s: float = Field(default=60, ge=1, le=3600)
    """Seconds that the server may work on one statement; a batch as a whole gets little more."""
    lock_timeout_s: float = Field(default=10, gt=0, le=600)
    """Seconds that it may wait for what others hold locked."""

    @field_validator("host")
    @classmethod
    def _host_can_be_found(cls, host: str) -> str:
        if host.startswith("/"):
            if "\0" in host or "," in host:
                raise ValueError(
                    'that is not the folder of a socket; write its path, as "/var/run/postgresql"'
                )
        elif not _HOST.fullmatch(host) or not can_be_looked_up(host):
            shown = "that" if "@" in host or "=" in host else repr(host[:200])  # a login may stand in it
            raise ValueError(
                f'{shown} is not a host; write its name or address only, as "db.example", and port beside it'
            )
        return host

    @field_validator("database", "username")
    @classmethod
    def _name_can_be_sent(cls, name: str) -> str:
        if not name.isprintable() or len(name.encode()) > MOST_NAME_BYTES:
            raise ValueError(f"{name[:200]!r} can't be a name there; write one of up to 63 bytes that prints")
        return name

    @field_validator("database_schema")
    @classmethod
    def _schema_has_a_name(cls, name: str) -> str:
        check_schema(name)
        return name

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if self.password_file and self.password_env:
            raise ValueError("the password is named twice; write password_file or password_env")
        if self.client_key_file and not self.client_certificate_file:
            raise ValueError("client_key_file is for a certificate; write client_certificate_file too")
        if not self.tls and (self.ca_file or self.client_certificate_file):
            raise ValueError("certificates are of no use without TLS; write tls = true")
        if self.tls and self.host.startswith("/"):
            raise ValueError("a socket on this computer has no TLS; leave tls out, or write the host's name")
        if not self.tls and not self.allow_plain_postgres and not self.is_this_computer:
            raise ValueError(
                f"without TLS what goes to {self.host} can be read and changed on the way; write tls = true, or "
                f"allow_plain_postgres = true where the network is trusted"
            )
        return self

    def cautions(self) -> Iterator[Caution]:
        """Say where it can't work yet."""
        if importlib.util.find_spec(LIBRARY) is None:
            yield Caution("kind", f"needs {LIBRARY}, which is not installed here", INSTALL)

    def come_to(self, station: str) -> Iterator[str]:
        """Say where rows go."""
        yield f"rows to {self.database_schema}.record in the database {self.database} at {self.where}"

    @property
    def is_this_computer(self) -> bool:
        """Whether nothing that is sent leaves this computer."""
        return self.host.startswith("/") or is_this_computer(self.host)

    @property
    def where(self) -> str:
        """The server as messages name it."""
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"
