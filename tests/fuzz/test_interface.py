"""The whole REST interface under what its own description allows, and what it does not."""

from __future__ import annotations

import itertools
import json
import os
import re
import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.fuzz import known

pytestmark = pytest.mark.attack

SETTINGS = f"""
hooks = {json.dumps(str(Path(__file__).with_name("known.py")))}
[generation]
deterministic = true

# It never ends, and the tool waits for the end of an answer: tests/service/test_stream*.py hold it.
[[operations]]
include-path = "/v1/stream"
enabled = false

# Nobody waits for records that don't come.
[[operations]]
include-path = "/v1/records"
parameters = {{ "query.wait" = 0 }}
# The last ones, and those after one that is named, are not asked for at once.
checks.positive_data_acceptance.expected-statuses = ["2xx", "401", "403", "404", "409", "422", "5xx"]

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
READINGS = 12


def test_every_check_over_the_whole_interface(tmp_path: Path) -> None:
    """Whatever is sent, what is answered is what the description says: every check of the tool, no failure.

    With a token for all that a program may, then as an administrator for what only a person may. Whatever is asked for
    by a name meets one that there is, too, and what only a person may is done, not refused alone.
    """
    (tmp_path / "schemathesis.toml").write_text(SETTINGS)
    with Port() as port, Port() as lent, Daemon(tmp_path, _station(port, lent)) as daemon:
        token = _done(tmp_path, "gaugepost", "access", "grant", "fuzz", "--scope", "set-up").stdout.strip()
        bearer = {"Authorization": f"Bearer {token}"}
        (tmp_path / known.FILE).write_text(json.dumps(_measured(port, daemon, bearer)))
        done = [_attacked(tmp_path, daemon, bearer, "^/v1")]
        add = (tmp_path, "gaugepost", "access", "add")
        _done(*add, "M2", "--role", "operator", said=PIN)
        _done(*add, "M1", "--role", "administrator", "--name", "Mara Example", said=PIN)
        done += [
            _attacked(tmp_path, daemon, _signed_in(daemon), paths)
            for paths in ("^/v1/signatures", "^/v1/(people|sessions)")
        ]
        described = httpx.get(
            f"{daemon.address}/v1/openapi.json", headers=bearer, trust_env=False, timeout=60
        ).json()
        log = daemon.log()
    assert [each.returncode for each in done] == [0, 0, 0], "\n".join(each.stdout[-20_000:] for each in done)
    assert "Traceback" not in log
    assert {*known.MEANT, "POST /v1/signatures"} & _never_done(tmp_path, described["paths"]) == set()


def _station(port: Port, lent: Port) -> str:
    """Return a station with the gauge that is measured with, and one whose link is lent to who teaches.

    A lesson keeps its link for seconds; on the first gauge's, no mastering could begin meanwhile.
    """
    return station_file([port, lent]) + "\n[service]\ntokens = true\n"


def _measured(port: Port, daemon: Daemon, headers: dict[str, str]) -> dict[str, object]:
    """Have some readings of a lot made; return what there is to be named."""
    with httpx.Client(base_url=daemon.address, headers=headers, trust_env=False, timeout=60) as client:
        tags = {"lot": "L-1", "piece": "1", "characteristic": "A"}
        assert client.put("/v1/tags", json=tags).status_code == 200
        port.send(b"".join(b"38.01%02d mm\r\n" % at for at in range(READINGS)))
        found: list[dict[str, str]] = []
        while len(found) < READINGS:
            found = client.get("/v1/records?kind=reading&wait=20").json()["records"]
    return {
        "gauges": ["g0"],
        "masters": ["ring-1"],
        "characteristics": ["A"],
        "destinations": ["sheet"],
        "records": [each["id"] for each in found],
        "people": ["M2"],
        "person": {"id": "M1", "pin": PIN},
    }


def _never_done(folder: Path, described: dict[str, dict[str, object]]) -> set[str]:
    """Return what is described and was never answered as done, as method and path."""
    ways = [(method.upper(), path) for path, methods in described.items() for method in methods]
    ways.sort(key=lambda way: way[1].count("{"))
    shapes = [(method, path, re.compile(re.sub(r"\{\w+\}", "[^/]*", path))) for method, path in ways]
    done: set[str] = set()
    for file in folder.glob("*.har"):
        for entry in json.loads(file.read_text(encoding="utf-8"))["log"]["entries"]:
            asked, path = entry["request"], urlsplit(entry["request"]["url"]).path
            if 200 <= entry["response"]["status"] < 300:
                fits = (way for way in shapes if way[0] == asked["method"] and way[2].fullmatch(path))
                done.update(f"{method} {each}" for method, each, _ in itertools.islice(fits, 1))
    return {f"{method} {path}" for method, path in ways} - done


def _attacked(
    folder: Path, daemon: Daemon, headers: dict[str, str], paths: str
) -> subprocess.CompletedProcess[str]:
    words = [word for name, value in headers.items() for word in ("-H", f"{name}: {value}")]
    return _done(
        folder,
        *("schemathesis.cli", "run", f"{daemon.address}/v1/openapi.json", "--checks", "all", "--no-color"),
        *("--report", "har", "--report-har-path", f"{sha256(paths.encode()).hexdigest()}.har"),
        *("--include-path-regex", paths, "--max-examples", "5", "--continue-on-failure", "--no-shrink"),
        *("--request-timeout", "60", "--phases", "examples,coverage,fuzzing,stateful", *words),
    )


def _signed_in(daemon: Daemon) -> dict[str, str]:
    """Return the headers of a browser in which the administrator signed in."""
    page = {"Origin": daemon.address, "Sec-Fetch-Site": "same-origin"}
    said = {"id": "M1", "pin": PIN}
    answer = httpx.post(f"{daemon.address}/v1/session", json=said, headers=page, trust_env=False, timeout=60)
    assert answer.status_code == 200, answer.text
    cookie = answer.headers["set-cookie"].split(";")[0]
    return {**page, "Cookie": cookie, "X-CSRF-Token": answer.json()["csrf"]}


def _done(folder: Path, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", *words]
    return subprocess.run(
        command, cwd=folder, input=said, capture_output=True, text=True, timeout=MOST_S, env=os.environ
    )
