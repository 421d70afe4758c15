"""The whole REST interface under what its own description allows, and what it does not."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

SETTINGS = """
[generation]
deterministic = true

# It never ends, and the tool waits for the end of an answer: tests/service/test_stream*.py hold it.
[[operations]]
include-path = "/v1/stream"
enabled = false

# Nobody waits for records that don't come.
[[operations]]
include-path = "/v1/records"
parameters = { "query.wait" = 0 }

# A length with its unit, a record's id, a rule's name, a change of the station file, who signs in: more may be wrong
# with them than a schema can say.
[[operations]]
include-path-regex = "/(trace|risk|rejudgement|suspect|skip|retry)$\
|^/v1/(records/|station/(file|list)|lessons|session|people|signatures)"
checks.positive_data_acceptance.expected-statuses = ["2xx", "401", "403", "404", "409", "422", "5xx"]
"""
MOST_S = 1800
"""Bounds a failure; nothing passes or fails by it otherwise."""
PIN = "739481"


def test_every_check_over_the_whole_interface(tmp_path: Path) -> None:
    """Whatever is sent, what is answered is what the description says: every check of the tool, no failure.

    With a token for all that a program may, then as an administrator for what only a person may.
    """
    (tmp_path / "schemathesis.toml").write_text(SETTINGS)
    with Port() as port, Daemon(tmp_path, station_file([port]) + "\n[service]\ntokens = true\n") as daemon:
        token = _done(tmp_path, "gaugepost", "access", "grant", "fuzz", "--scope", "set-up").stdout.strip()
        done = [_attacked(tmp_path, daemon, [f"Authorization: Bearer {token}"], "^/v1")]
        _done(tmp_path, "gaugepost", "access", "add", "M1", "--role", "administrator", said=PIN)
        done.append(_attacked(tmp_path, daemon, _signed_in(daemon), "^/v1/(people|sessions|signatures)"))
        log = daemon.log()
    assert [each.returncode for each in done] == [0, 0], "\n".join(each.stdout[-20_000:] for each in done)
    assert "Traceback" not in log


def _attacked(
    folder: Path, daemon: Daemon, headers: list[str], paths: str
) -> subprocess.CompletedProcess[str]:
    words = [word for header in headers for word in ("-H", header)]
    return _done(
        folder,
        *("schemathesis.cli", "run", f"{daemon.address}/v1/openapi.json", "--checks", "all", "--no-color"),
        *("--include-path-regex", paths, "--max-examples", "5", "--continue-on-failure", "--no-shrink"),
        *("--request-timeout", "60", "--phases", "examples,coverage,fuzzing,stateful", *words),
    )


def _signed_in(daemon: Daemon) -> list[str]:
    """Return the headers of a browser in which the administrator signed in."""
    page = {"Origin": daemon.address, "Sec-Fetch-Site": "same-origin"}
    said = {"id": "M1", "pin": PIN}
    answer = httpx.post(f"{daemon.address}/v1/session", json=said, headers=page, trust_env=False, timeout=60)
    assert answer.status_code == 200, answer.text
    cookie = answer.headers["set-cookie"].split(";")[0]
    headers = {**page, "Cookie": cookie, "X-CSRF-Token": answer.json()["csrf"]}
    return [f"{name}: {value}" for name, value in headers.items()]


def _done(folder: Path, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", *words]
    return subprocess.run(
        command, cwd=folder, input=said, capture_output=True, text=True, timeout=MOST_S, env=os.environ
    )
