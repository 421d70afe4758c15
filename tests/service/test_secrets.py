"""No secret is told: the real daemon with recognisable ones everywhere, and all it says and writes looked through."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from tests.bench_tools.broker import Broker
from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.bench_tools.receiver import Receiver, Says

pytestmark = pytest.mark.attack

PIN, WRONG_PIN, NEW_PIN = "739481620574", "604815937264", "815937264058"
CODE, PASSWORD, BEARER = "badge-7fd01c22-Kq", "broker-Qm7xkT2v", "bearer-Zp4wLr9y"
WRONG_TOKEN = "gpt_" + "Wr0ngT0k3n_" * 3 + "0123456789"
STATION = """
[destinations.mes]
kind = "rest_push"
url = "{url}"
bearer_token_file = "mes.token"
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
username = "bench"
password_file = "broker.password"
[service]
tokens = true
"""


class Looked:
    """All that was said so far, and all that must not be in it."""

    def __init__(self) -> None:
        self.secrets = {PIN, WRONG_PIN, NEW_PIN, CODE, PASSWORD, BEARER, WRONG_TOKEN}
        self.said: list[tuple[str, str]] = []

    def processes(self) -> None:
        """Take down what the list of processes shows."""
        for line in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                self.said.append((str(line), line.read_bytes().decode("utf-8", "replace")))
            except OSError:
                continue  # it has ended meanwhile

    def files(self, folder: Path, but: set[str]) -> None:
        """Take down every file, but those that hold a secret for the service to read."""
        for path in folder.rglob("*"):
            if path.is_file() and path.name not in but:
                self.said.append((str(path), path.read_bytes().decode("latin-1")))

    def told(self) -> list[tuple[str, str]]:
        """Return what was told and where."""
        return [(where, secret) for where, text in self.said for secret in self.secrets if secret in text]


def test_no_secret_is_told(tmp_path: Path) -> None:
    """Tokens, PINs, codes, passwords and what proves a session: no log, state, error, file or command line has them."""
    looked, data = Looked(), tmp_path / "data"
    data.mkdir()
    (tmp_path / "broker").mkdir()
    for name, secret in (("mes.token", BEARER), ("broker.password", PASSWORD)):
        (data / name).write_text(secret)
        (data / name).chmod(0o600)
    broker = Broker(tmp_path / "broker", ("allow_anonymous false",)).start()
    echo = Says(401, {"X-Echo": f"Bearer {BEARER}"}, f'{{"detail": "Bearer {BEARER} is wrong"}}'.encode())
    try:
        with Port() as port, Receiver() as receiver:
            receiver.script.extend([echo] * 1000)
            text = station_file([port], extra=STATION.format(url=receiver.url, port=broker.port))
            with Daemon(tmp_path, text) as daemon:
                _add(tmp_path, looked, "M1", "administrator", PIN)
                _add(tmp_path, looked, "M2", "operator", CODE, "--code")
                token = _done(tmp_path, "access", "grant", "pc", "--scope", "set-up").strip()
                looked.secrets.add(token)
                port.send(b"38.0001 mm\r\n")
                _look(daemon, looked, token)
                looked.processes()
                log = daemon.log()
    finally:
        broker.kill()
    assert "mes" in log
    looked.files(tmp_path, {"mes.token", "broker.password"})
    assert len(looked.said) > 50
    assert looked.told() == []


def _look(daemon: Daemon, looked: Looked, token: str) -> None:
    """Sign in and out, rightly and wrongly, ask for everything, and make every mistake with a secret that one makes."""
    base = f"{daemon.address}/v1"
    program = {"Authorization": f"Bearer {token}"}
    page = {"Origin": daemon.address, "Sec-Fetch-Site": "same-origin"}
    with httpx.Client(trust_env=False, timeout=60) as client:

        def ask(method: str, path: str, body: object = None, **headers: str) -> httpx.Response:
            answer = client.request(method, base + path, json=body, headers=headers)
            looked.said.append((f"{method} {path}", f"{answer.headers} {answer.text}"))
            return answer

        for body in (
            {"id": "M1", "pin": WRONG_PIN},
            {"id": WRONG_PIN, "pin": "M1"},
            {"id": "M1", "pin": int(PIN)},
            {"id": "M1", "pin": PIN * 20},
            {"id": "M1", "code": PIN},
            {"code": CODE[:-1]},
            {"code": [CODE]},
        ):
            answer = ask("POST", "/session", body, **page)
            assert answer.status_code in (401, 422), answer.text
        ask("GET", "/health", None, Authorization=f"Bearer {WRONG_TOKEN}")
        ask("GET", f"/health?token={token}", None, **program)
        ask("PUT", "/tags", {"lot": "L1", "token": token}, **program)
        for said in ({"id": "M1", "pin": PIN}, {"code": CODE}):
            answer = client.post(f"{base}/session", json=said, headers=page)
            assert answer.status_code == 200, answer.text
            looked.secrets |= {
                answer.json()["csrf"],
                answer.headers["set-cookie"].partition("=")[2].split(";")[0],
            }
            signed_in = {**page, "X-CSRF-Token": answer.json()["csrf"]}
            routes = [
                each for each in ask("GET", "", None, **program).json()["routes"] if each.startswith("GET ")
            ]
            for route in routes:
                path = route.removeprefix("GET /v1").replace("{name}", "mes").replace("{id}", "1")
                if path not in ("/stream", "/session"):
                    ask("GET", path)
            ask("PUT", "/tags", {"lot": "L1"}, **signed_in)
            ask("POST", "/people", {"id": "M3", "role": "operator", "pin": NEW_PIN}, **signed_in)
            ask("PATCH", "/people/M3", {"pin": WRONG_PIN[:5]}, **signed_in)
        ask("POST", "/session/pin", {"pin": WRONG_PIN, "new_pin": NEW_PIN}, **signed_in)


def _add(folder: Path, looked: Looked, name: str, role: str, secret: str, *more: str) -> None:
    """Add somebody, and look at the list of processes while that goes on."""
    command = [sys.executable, "-m", "gaugepost", "access", "add", name, "--role", role, *more]
    process = subprocess.Popen(
        command,
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    looked.processes()
    told, _ = process.communicate(secret + "\n", timeout=START_S * 2)
    assert process.returncode == 0, told
    looked.said.append((" ".join(command), told))


def _done(folder: Path, *words: str) -> str:
    command = [sys.executable, "-m", "gaugepost", *words]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=START_S * 2, env=os.environ
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
