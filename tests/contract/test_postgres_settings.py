"""What a station file may say about a PostgreSQL server, and what is said about it offline."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from gaugepost_adapters.destinations.postgres.settings import PostgresSettings
from tests.bench_tools.daemon import Port, station_file

LOCAL: dict[str, Any] = {"host": "localhost", "database": "quality", "username": "bench"}
FAR: dict[str, Any] = {**LOCAL, "host": "db.example", "tls": True}

WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "no TLS to another computer": ({**FAR, "tls": False}, "allow_plain_postgres = true"),
    "a login in the host": ({**FAR, "host": "bench:s3cret@db.example"}, "write its name or address only"),
    "a connection string": ({**FAR, "host": "db.example password=s3cret"}, "write its name or address only"),
    "two hosts": ({**FAR, "host": "a.example,b.example"}, "write its name or address only"),
    "the password itself": ({**LOCAL, "password_env": "s3cret word"}, "name of an environment variable"),
    "two passwords": ({**LOCAL, "password_env": "A", "password_file": "b"}, "named twice"),
    "a key without certificate": ({**FAR, "client_key_file": "k"}, "write client_certificate_file too"),
    "certificates without TLS": ({**LOCAL, "ca_file": "ca.pem"}, "write tls = true"),
    "TLS over a socket": ({**LOCAL, "host": "/run/postgresql", "tls": True}, "has no TLS"),
    "the server's own schema": ({**LOCAL, "database_schema": "pg_toast"}, "can't be a schema of its own"),
    "everybody's schema": ({**LOCAL, "database_schema": "public"}, "can't be a schema of its own"),
    "a schema with a quote": ({**LOCAL, "database_schema": 'a"b'}, "can't be a schema of its own"),
    "a name that is cut": ({**LOCAL, "username": "ü" * 32}, "up to 63 bytes"),
    "no database": ({**LOCAL, "database": ""}, "at least 1 character"),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_can_not_be_right_is_refused_without_repeating_secrets(case: str) -> None:
    """Each mistake is named with what to write instead, and nothing that may be a secret is shown."""
    given, words = WRONG[case]
    with pytest.raises(ValidationError) as caught:
        PostgresSettings(**given)
    (error,) = caught.value.errors(include_input=False)
    assert words in error["msg"]
    assert "s3cret" not in error["msg"]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "::1", "/var/run/postgresql", "db.localhost"])
def test_this_computer_needs_no_tls(host: str) -> None:
    """What never leaves the computer may go unencrypted."""
    assert PostgresSettings(**{**LOCAL, "host": host}).is_this_computer


def test_where_rows_go_is_told() -> None:
    """The check says which table of which database at which server."""
    told = list(PostgresSettings(**FAR, database_schema="plant").come_to("bench 1"))
    assert told == ["rows to plant.record in the database quality at db.example:5432"]
    assert PostgresSettings(**{**LOCAL, "host": "::1"}).where == "[::1]:5432"


def _check(folder: Path, extra: str) -> subprocess.CompletedProcess[str]:
    with Port() as port:
        (folder / "station.toml").write_text(station_file([port], extra=extra))
    return _run("-m", "gaugepost", "check", str(folder / "station.toml"))


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)


def test_the_check_command_reads_it(tmp_path: Path) -> None:
    """`gaugepost check` passes a right table, says where rows go, and finds the line of a mistake."""
    table = '[destinations.plant]\nkind = "postgres"\nhost = "{}"\ndatabase = "quality"\nusername = "bench"\n'
    right = _check(tmp_path, table.format("localhost"))
    assert right.returncode == 0, right.stdout + right.stderr
    assert "rows to gaugepost.record in the database quality at localhost:5432" in right.stdout
    wrong = _check(tmp_path, table.format("db.example"))
    assert wrong.returncode != 0
    assert "allow_plain_postgres = true" in " ".join((wrong.stdout + wrong.stderr).split())


MISSING = """
import asyncio, sys
from pathlib import Path
from zoneinfo import ZoneInfo
sys.modules["psycopg"] = None
from gaugepost.contract import StationFacts, Unreachable
from gaugepost_adapters.destinations.postgres.destination import Postgres
settings = Postgres.Settings(host="localhost", database="quality", username="bench")
postgres = Postgres(settings, StationFacts("bench 1", ZoneInfo("UTC"), Path()))
try:
    asyncio.run(postgres.open())
except Unreachable as cause:
    print(cause)
"""


def test_where_the_library_is_missing_it_is_said_what_to_install() -> None:
    """A station file can be checked without the library; a destination waits for it, and names it."""
    done = _run("-c", MISSING)
    assert done.returncode == 0, done.stderr
    assert "psycopg is not installed" in done.stdout
    assert 'pip install "psycopg[binary]"' in done.stdout


def test_the_library_is_not_loaded_before_it_is_needed() -> None:
    """Whoever has no such destination pays nothing for it."""
    room = "gaugepost_adapters.destinations.postgres.destination"
    done = _run("-c", f"import sys, {room}; print('psycopg' in sys.modules)")
    assert done.stdout.strip() == "False", done.stderr
