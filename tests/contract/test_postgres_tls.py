"""TLS and passwords at a real server: who is not who they should be gets no record, and no secret is ever shown."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import trustme
from structlog.testing import capture_logs

from gaugepost.contract import Outcome, Unreachable
from gaugepost.contract.kit.destinations import samples
from tests.bench_tools.postgres import Server
from tests.contract.postgres_bench import Store, store as store

pytestmark = pytest.mark.asyncio

AUTHORITY, STRANGER = trustme.CA(), trustme.CA()
SECRET = "s3cr3t of the bench"
DOORS = ("hostssl all shown all cert", "hostssl all all all scram-sha-256", "hostnossl all open all password")


@pytest.fixture(scope="module")
def server() -> Iterator[Server]:
    """A server that lets nobody in without a password or a certificate."""
    with Server() as running:
        running.put("server.ca", AUTHORITY.cert_pem.bytes())
        wear(running)
        running.ask("ALTER SYSTEM SET ssl = on")
        running.ask("ALTER SYSTEM SET ssl_ca_file = 'server.ca'")
        running.let_in(*DOORS)
        running.reload()
        running.ask(f"ALTER ROLE bench PASSWORD '{SECRET}'")
        for name in ("shown", "open"):
            running.ask(f"CREATE ROLE {name} LOGIN PASSWORD '{SECRET}' IN ROLE bench")
        yield running


def wear(server: Server, authority: trustme.CA = AUTHORITY, name: str = "localhost", days: int = 30) -> None:
    """Give the server a certificate; who connects from now on is shown it."""
    made = authority.issue_cert(name, not_after=datetime.now(UTC) + timedelta(days=days))
    server.put("server.key", made.private_key_pem.bytes())
    server.put("server.crt", made.cert_chain_pems[0].bytes())
    server.reload()


@pytest.fixture
def folder(tmp_path: Path, server: Server) -> Path:
    """The station's data folder, with what it needs to know the server and to be known."""
    AUTHORITY.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    (tmp_path / "password").write_text(f"{SECRET}\n")
    (tmp_path / "password").chmod(0o600)
    wear(server)
    return tmp_path


TLS = {"host": "localhost", "tls": True, "ca_file": "ca.pem"}


async def why_not(store: Store, folder: Path, **settings: Any) -> str:
    """Return why it does not connect; nobody hears the secret, or a log does."""
    given = {**TLS, "password_file": "password", **settings}
    destination = store.make(folder, **given)
    with capture_logs() as logs, pytest.raises(Unreachable) as caught:
        await destination.open()
    await destination.close()
    chain: BaseException | None = caught.value
    while chain is not None:
        assert SECRET not in f"{chain} {chain!r}"
        chain = chain.__cause__
    assert SECRET not in str(logs)
    assert caught.value.hint
    return str(caught.value)


async def test_the_right_server_gets_rows_for_a_password(store: Store, folder: Path) -> None:
    """Encrypted, by a certificate for its name, with the password from a file or the environment."""
    async with store.opened(folder=folder, **TLS, password_file="password") as postgres:
        assert await postgres.deliver(samples(1, 30), "key") == Outcome(30)
        assert store.ask(
            "SELECT ssl, version >= 'TLSv1.2' FROM pg_stat_ssl JOIN pg_stat_activity USING (pid) "
            "WHERE usename = 'bench'"
        ) == [(True, True)]
        assert SECRET not in str(vars(postgres))


async def test_a_password_of_the_environment(
    store: Store, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The variable's content is the password."""
    monkeypatch.setenv("GAUGEPOST_DB", SECRET)
    async with store.opened(folder=folder, **TLS, password_env="GAUGEPOST_DB") as postgres:
        assert await postgres.deliver(samples(1, 1), "key") == Outcome(1)


async def test_a_station_shows_its_certificate(store: Store, folder: Path, server: Server) -> None:
    """Where the server wants one it gets it, and lets nobody in without."""
    made = AUTHORITY.issue_cert(common_name="shown")
    made.private_key_and_cert_chain_pem.write_to_path(str(folder / "station.pem"))
    (folder / "station.pem").chmod(0o600)
    shown = {"client_certificate_file": "station.pem", "username": "shown", "password_file": None}
    async with store.opened(folder=folder, **TLS, **shown) as postgres:
        assert await postgres.deliver(samples(1, 1), "key") == Outcome(1)
    said = await why_not(store, folder, username="shown", password_file=None)
    assert "client_certificate_file" in said
    (folder / "station.pem").chmod(0o644)
    assert "chmod 600" in await why_not(store, folder, **shown)


async def test_a_server_of_somebody_else_gets_nothing(store: Store, folder: Path, server: Server) -> None:
    """Signed by a stranger, made for another name or expired: nothing is sent, and it is said what to do."""
    wear(server, STRANGER)
    assert "write as ca_file" in await why_not(store, folder)
    wear(server, name="db.example")
    assert "write as host the name" in await why_not(store, folder)
    wear(server, days=-1)
    assert "renewed" in await why_not(store, folder)
    wear(server)
    assert "ca-2.pem: No such file" in await why_not(store, folder, ca_file="ca-2.pem")


async def test_a_wrong_password_or_none_is_named(store: Store, folder: Path) -> None:
    """Whose password, and where it is to be put right; the file is read again for the next attempt."""
    (folder / "password").write_text("wrong " + SECRET)
    assert "correct username and password" in await why_not(store, folder)
    assert "write password_file or password_env" in await why_not(store, folder, password_file=None)
    (folder / "password").write_text(SECRET)
    async with store.opened(folder=folder, **TLS, password_file="password"):
        pass


async def test_a_refusal_by_the_server_does_not_echo_the_password(store: Store, folder: Path) -> None:
    """An answer that is kept and shown holds no secret, even where the server repeats it."""
    async with store.opened(folder=folder, **TLS, password_file="password") as postgres:
        store.ask(
            "CREATE FUNCTION {}.says() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE 'so it is {SECRET}, and a line\nend'; END $$"
        )
        store.ask("CREATE TRIGGER says BEFORE INSERT ON {}.record FOR EACH ROW EXECUTE FUNCTION {}.says()")
        outcome = await postgres.deliver(samples(1, 1), "key")
    assert [refusal.answer for refusal in outcome.refused] == ["so it is …, and a line end (P0001)"]


async def test_without_tls_no_password_goes_to_another_computer_in_the_clear(
    store: Store, folder: Path
) -> None:
    """Whoever stands in for the server and asks for the password itself does not get it."""
    asked = b"R\x00\x00\x00\x08\x00\x00\x00\x03"  # AuthenticationCleartextPassword
    heard = bytearray()

    def serve(listening: socket.socket) -> None:
        near, _ = listening.accept()
        with near:
            near.recv(4096)
            near.sendall(asked)
            while data := near.recv(4096):
                heard.extend(data)

    with socket.create_server(("127.0.0.2", 0)) as listening:
        thread = threading.Thread(target=serve, args=(listening,))
        thread.start()
        destination = store.make(
            folder, host="pretender.example", port=listening.getsockname()[1], allow_plain_postgres=True,
            password_file="password",
        )  # fmt: skip
        from gaugepost_adapters.destinations.postgres import session

        def given(self: session.Session) -> dict[str, object]:
            return {**found(self), "hostaddr": "127.0.0.2"}

        found = session.Session._given
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(session.Session, "_given", given)
            with pytest.raises(Unreachable, match="write tls = true"):
                await destination.open()
        await destination.close()
        thread.join()
    assert SECRET.encode() not in bytes(heard)


async def test_a_server_without_tls_is_named(store: Store, folder: Path, server: Server) -> None:
    """Where the server speaks no TLS, no record goes out, and it is said what to do."""
    server.ask("ALTER SYSTEM SET ssl = off")
    server.reload()
    try:
        assert "switch TLS on at the server" in await why_not(store, folder)
    finally:
        server.ask("ALTER SYSTEM SET ssl = on")
        server.reload()
