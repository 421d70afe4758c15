"""Let onto the network: TLS, tokens with scopes, names; the daemon and `gaugepost` as they are, over real sockets."""

from __future__ import annotations

import json
import os
import ssl
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import trustme

from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

SERVICE = """
[service]
host = "0.0.0.0"
certificate_file = "service.pem"
key_file = "service.key"
names = ["bench-1.example"]
"""


def certificate(authority: trustme.CA, data: Path, name: str = "bench-1.example") -> None:
    """Put a certificate for `name` and its key where the station file says."""
    data.mkdir(exist_ok=True)
    made = authority.issue_cert(name)
    made.cert_chain_pems[0].write_to_path(str(data / "service.pem"))
    made.private_key_pem.write_to_path(str(data / "service.key"))


def gaugepost(folder: Path, *words: str, **env: str) -> subprocess.CompletedProcess[str]:
    """Run the command line on the station in `folder`."""
    command = [sys.executable, "-m", "gaugepost", *words]
    return subprocess.run(
        command, capture_output=True, text=True, cwd=folder, env={**os.environ, **env}, timeout=60
    )


def granted(folder: Path, name: str, scope: str) -> str:
    """Return a new token."""
    done = gaugepost(folder, "access", "grant", name, "--scope", scope)
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


@pytest.fixture
def authority() -> trustme.CA:
    """Return who signs certificates."""
    return trustme.CA()


@pytest.fixture
def networked(tmp_path: Path, authority: trustme.CA) -> Iterator[Daemon]:
    """Yield a daemon that listens to every computer."""
    certificate(authority, tmp_path / "data")
    with Port() as port, Daemon(tmp_path, station_file([port]) + SERVICE) as daemon:
        yield daemon


def asking(daemon: Daemon, authority: trustme.CA, token: str | None = None) -> httpx.Client:
    """Return a client on another computer, as far as the service can see."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    port = daemon.address.rpartition(":")[2]
    headers = {"Host": f"bench-1.example:{port}"}
    if token is not None:
        headers["Authorization"] = f"Bearer {token}"
    return httpx.Client(
        base_url=f"https://127.0.0.1:{port}", verify=context, headers=headers, trust_env=False
    )


def ask(client: httpx.Client, method: str, path: str, body: object = None) -> httpx.Response:
    """Ask under the certificate's name, whatever the address is."""
    extensions = {"sni_hostname": "bench-1.example"}
    return client.request(method, f"/v1{path}", json=body, extensions=extensions)


def test_nobody_without_a_token(networked: Daemon, authority: trustme.CA) -> None:
    """Without a token, or with a wrong one, not even health is told, and how to get one is (RFC 6750, 3)."""
    with asking(networked, authority) as client:
        for path in ("", "/health", "/records", "/stream", "/openapi.json"):
            answer = ask(client, "GET", path)
            assert answer.status_code == 401, path
            assert answer.headers["WWW-Authenticate"] == 'Bearer realm="gaugepost"'
            assert "gaugepost access grant" in answer.json()["hint"]
    with asking(networked, authority, "gpt_" + "A" * 43) as client:
        answer = ask(client, "GET", "/health")
        assert answer.status_code == 401
        assert 'error="invalid_token"' in answer.headers["WWW-Authenticate"]


def test_scopes(networked: Daemon, authority: trustme.CA) -> None:
    """Who may read can't command, who may operate can't leave records out, and who may set up can do all of it."""
    skip = ("POST", "/destinations/sheet/skip", {"records": ["1"], "reason": "test", "operator": "M2"})
    tag = ("PUT", "/tags", {"lot": "L-1"})
    wanted = {"read": (403, 403), "operate": (200, 403), "set-up": (200, 409)}
    for scope, (tagging, skipping) in wanted.items():
        with asking(networked, authority, granted(networked.folder, f"for-{scope}", scope)) as client:
            assert ask(client, "GET", "/health").status_code == 200
            assert ask(client, *tag).status_code == tagging, scope
            answer = ask(client, *skip)
            assert answer.status_code == skipping, (scope, answer.text)
            if skipping == 403:
                assert 'scope="set-up"' in answer.headers["WWW-Authenticate"]


def test_revoked_at_once(networked: Daemon, authority: trustme.CA) -> None:
    """A token that is revoked counts no more at the next request; nobody restarts anything."""
    token = granted(networked.folder, "wall-screen", "read")
    with asking(networked, authority, token) as client:
        assert ask(client, "GET", "/health").status_code == 200
        assert gaugepost(networked.folder, "access", "revoke", "wall-screen").returncode == 0
        assert ask(client, "GET", "/health").status_code == 401
    listed = json.loads(gaugepost(networked.folder, "access", "list", "--json").stdout)
    assert [(each["name"], each["counts"]) for each in listed["tokens"]] == [("wall-screen", False)]


def test_revoked_while_it_follows_the_stream(networked: Daemon, authority: trustme.CA) -> None:
    """A stream that was let in ends once its token counts no more, and that is no fault of the service."""
    token = granted(networked.folder, "wall-screen", "read")
    extensions = {"sni_hostname": "bench-1.example"}
    with (
        asking(networked, authority, token) as client,
        client.stream("GET", "/v1/stream", extensions=extensions, timeout=60) as stream,
    ):
        lines = stream.iter_lines()
        assert next(lines).startswith(": ")
        assert gaugepost(networked.folder, "access", "revoke", "wall-screen").returncode == 0
        assert all(not line or line.startswith((":", "id:", "event:", "data:")) for line in lines)
    assert "ASGI" not in networked.log()
    assert "Traceback" not in networked.log()


def test_no_token_is_written_down(networked: Daemon, authority: trustme.CA) -> None:
    """A token stands nowhere in the data folder or the log, and the file of digests is for the service's user alone."""
    token = granted(networked.folder, "quality-pc", "operate")
    with asking(networked, authority, token) as client:
        assert ask(client, "PUT", "/tags", {"lot": "L-1"}).status_code == 200
    files = [each for each in networked.folder.rglob("*") if each.is_file()]
    assert networked.data / "access.json" in files
    for each in files:
        assert token.encode() not in each.read_bytes(), each
    assert stat.S_IMODE((networked.data / "access.json").stat().st_mode) == 0o600


def test_guessing_is_slow(networked: Daemon, authority: trustme.CA) -> None:
    """After ten wrong tokens an address has to wait, the right token too; the wait is said (RFC 9110, 10.2.3)."""
    token = granted(networked.folder, "quality-pc", "read")
    with asking(networked, authority) as client:
        for number in range(10):
            client.headers["Authorization"] = f"Bearer gpt_{number:043}"
            assert ask(client, "GET", "/health").status_code == 401
        client.headers["Authorization"] = f"Bearer {token}"
        answer = ask(client, "GET", "/health")
        assert answer.status_code == 429
        assert 1 <= int(answer.headers["Retry-After"]) <= 60


def test_signed_in_over_tls(networked: Daemon, authority: trustme.CA) -> None:
    """Somebody signs in from another computer; TLS, this host and no script hold the cookie (RFC 6265bis, 4.1.3)."""
    done = subprocess.run(
        [sys.executable, "-m", "gaugepost", "access", "add", "M2"],
        cwd=networked.folder,
        input="739481\n",
        text=True,
        timeout=60,
    )
    assert done.returncode == 0
    with asking(networked, authority) as client:
        client.headers["Origin"] = f"https://{client.headers['Host']}"
        client.headers["Sec-Fetch-Site"] = "same-origin"
        answer = ask(client, "POST", "/session", {"id": "M2", "pin": "739481"})
        assert answer.status_code == 200, answer.text
        name, *attributes = (part.strip() for part in answer.headers["set-cookie"].split(";"))
        assert name.startswith("__Host-gaugepost=")
        assert {"Secure", "HttpOnly", "Path=/"} <= set(attributes)
        assert "samesite=strict" in {each.lower() for each in attributes}
        client.headers["Cookie"] = name
        assert ask(client, "GET", "/session").json()["person"] == "M2"
        assert ask(client, "PUT", "/tags", {"lot": "L-1"}).status_code == 403
        client.headers["X-CSRF-Token"] = answer.json()["csrf"]
        assert ask(client, "PUT", "/tags", {"lot": "L-1"}).status_code == 200


def test_other_names_are_refused(networked: Daemon, authority: trustme.CA) -> None:
    """A name that the station file does not have, or a page from elsewhere, is refused even with a token."""
    with asking(networked, authority, granted(networked.folder, "pc", "read")) as client:
        client.headers["Origin"] = "https://shop.example"
        assert ask(client, "GET", "/health").status_code == 403
        del client.headers["Origin"]
        client.headers["Host"] = "bench-1.example.shop.example"
        assert ask(client, "GET", "/health").status_code == 421


def test_plain_http_gets_nothing(networked: Daemon) -> None:
    """Where TLS is spoken nobody is answered without it."""
    with pytest.raises(httpx.TransportError):
        httpx.get(networked.address.replace("https", "http").replace("0.0.0.0", "127.0.0.1"), trust_env=False)  # noqa: S104


def test_our_own_commands_find_the_way(networked: Daemon, authority: trustme.CA, tmp_path: Path) -> None:
    """With a token in the environment our commands work over TLS; without one they say what to do."""
    port = networked.address.rpartition(":")[2]
    file = tmp_path / "station.toml"
    file.write_text(networked.station.replace("[service]\n", f"[service]\nport = {port}\n"))
    token = granted(tmp_path, "terminal", "operate")
    done = gaugepost(tmp_path, "bench", "show", "--station", "station.toml", GAUGEPOST_TOKEN=token)
    assert done.returncode == 0, done.stderr
    assert "g0" in done.stdout
    done = gaugepost(tmp_path, "bench", "show", "--station", "station.toml")
    assert done.returncode == 2
    assert "wants a token" in done.stderr
    assert "GAUGEPOST_TOKEN" in done.stderr
    done = gaugepost(tmp_path, "bench", "show", "--at", f"https://localhost:{port}", GAUGEPOST_TOKEN=token)
    assert done.returncode == 2
    assert "is not trusted" in done.stderr
    assert "GAUGEPOST_CA_FILE" in done.stderr


@pytest.mark.parametrize(
    ("break_it", "said"),
    [
        (lambda data: (data / "service.key").unlink(), "can't be read"),
        (
            lambda data: (data / "service.pem").write_text("no certificate"),
            "are no certificate and key in PEM",
        ),
        (lambda data: certificate(trustme.CA(), data / "other"), None),
    ],
)
def test_a_certificate_that_is_not_right(
    break_it: object, said: str | None, tmp_path: Path, authority: trustme.CA
) -> None:
    """A certificate or key that can't be used keeps the service from starting, and it says which and what to do."""
    data = tmp_path / "data"
    certificate(authority, data)
    assert callable(break_it)
    break_it(data)
    if said is None:
        (data / "other" / "service.key").replace(data / "service.key")
        said = "do not belong together"
    with Port() as port:
        (tmp_path / "station.toml").write_text(station_file([port]) + SERVICE)
        done = gaugepost(tmp_path, "run", "station.toml", "--port", "0")
    assert done.returncode == 2, done.stdout
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_loopback_may_want_tokens_too(tmp_path: Path) -> None:
    """With tokens = true even this computer's own programs must bring one."""
    with Port() as port, Daemon(tmp_path, station_file([port]) + "\n[service]\ntokens = true\n") as daemon:
        assert httpx.get(f"{daemon.address}/v1/health", trust_env=False).status_code == 401
        headers = {"Authorization": f"Bearer {granted(tmp_path, 'pc', 'read')}"}
        assert httpx.get(f"{daemon.address}/v1/health", headers=headers, trust_env=False).status_code == 200


@pytest.mark.parametrize(
    ("text", "mode", "said"),
    [
        ("{}", 0o644, "may be read by others"),
        ("{", 0o600, "it is damaged"),
        ('{"format": 9, "tokens": []}', 0o600, "format 9"),
        ('{"format": 1, "tokens": [{"name": "x"}]}', 0o600, "it is damaged"),
    ],
)
def test_a_damaged_file_lets_nobody_in(text: str, mode: int, said: str, tmp_path: Path) -> None:
    """Where the tokens can't be read nobody is let in, and the answer says why."""
    with Port() as port, Daemon(tmp_path, station_file([port]) + "\n[service]\ntokens = true\n") as daemon:
        file = daemon.data / "access.json"
        file.write_text(text)
        file.chmod(mode)
        answer = httpx.get(
            f"{daemon.address}/v1/health",
            headers={"Authorization": f"Bearer gpt_{'A' * 43}"},
            trust_env=False,
        )
        assert answer.status_code == 503
        assert said in answer.json()["detail"]
        done = gaugepost(tmp_path, "access", "list")
        assert done.returncode == 2
        assert said in done.stderr
