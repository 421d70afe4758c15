"""How commands find and understand the service."""

from __future__ import annotations

import argparse
import socket
import threading
from pathlib import Path

import pytest

from gaugepost.commands.talk import DEFAULT_AT, ENVIRONMENT, Service, add_at, named, service_of
from gaugepost.core.errors import SettingsError, Unreachable
from tests.cli.daemons import STATION, gaugepost


def _asked(*words: str) -> Service:
    parser = argparse.ArgumentParser()
    add_at(parser)
    return service_of(parser.parse_args(words))


def test_where_the_service_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """--at comes first, then the station file, then the environment, then the default port."""
    file = tmp_path / "station.toml"
    file.write_text(STATION.format(device="/dev/none") + '\n[service]\nhost = "::1"\nport = 8777\n')
    monkeypatch.delenv(ENVIRONMENT, raising=False)
    assert _asked().at == DEFAULT_AT
    monkeypatch.setenv(ENVIRONMENT, "http://127.0.0.1:8700/")
    assert _asked().at == "http://127.0.0.1:8700"
    assert _asked("--station", str(file)).at == "http://[::1]:8777"
    assert _asked("--at", "http://localhost:1").at == "http://localhost:1"


@pytest.mark.parametrize(
    "at",
    ["127.0.0.1:8620", "ftp://127.0.0.1:8620", "http://", "http://127.0.0.1:x", "http://127.0.0.1:99999",
     "http://127.0.0.1:8620/v1", "http://me@127.0.0.1:8620", "http://[::1:8620", "file:///etc/passwd"],
)  # fmt: skip
def test_what_is_no_address(at: str) -> None:
    """What can't be a service's address is refused with how to write one."""
    with pytest.raises(SettingsError) as refused:
        Service(at)
    assert DEFAULT_AT in refused.value.hint


def test_names_are_written_safely() -> None:
    """A name can't reach another address than its own."""
    assert named("gauges", "../tags?x=1#y") == "/v1/gauges/..%2Ftags%3Fx%3D1%23y"


def test_nobody_there_says_what_to_start() -> None:
    """Where nothing listens, the command says so and what to start, and ends with 2."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    done = gaugepost("bench", "show", "--at", f"http://127.0.0.1:{port}")
    assert done.returncode == 2
    assert f"no service answers at http://127.0.0.1:{port}" in done.stderr
    assert "gaugepost run" in done.stderr


@pytest.mark.parametrize(
    "answer",
    [
        b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: 2\r\n\r\n{}",
        b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: 2\r\n\r\n[]",
        b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n",
        b"SSH-2.0-other\r\n",
        b"",
    ],
)
def test_another_program_is_not_believed(answer: bytes) -> None:
    """Whatever else may answer at the address, the command says that it is not the service."""
    with socket.create_server(("127.0.0.1", 0)) as other:

        def once() -> None:
            connection, _ = other.accept()
            with connection:
                connection.recv(65536)
                connection.sendall(answer)

        thread = threading.Thread(target=once)
        thread.start()
        with pytest.raises(Unreachable) as refused:
            Service(f"http://127.0.0.1:{other.getsockname()[1]}").get("/v1/station")
        thread.join()
    assert refused.value.hint
