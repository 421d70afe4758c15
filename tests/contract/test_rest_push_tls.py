"""TLS to a real server: who is not who they should be is not sent a single record, and the person is told why."""

from __future__ import annotations

import datetime
import socket
import ssl
import subprocess
from pathlib import Path
from typing import Any

import pytest
import trustme

from gaugepost.contract import Unreachable
from gaugepost.contract.kit.destinations import samples
from tests.bench_tools.receiver import Receiver
from tests.contract.rest_bench import deliver, opened

DAY = datetime.timedelta(days=1)


@pytest.fixture
def authority(tmp_path: Path) -> trustme.CA:
    """Whom the station trusts, in ca.pem; with it the station's own certificate and keys, good and bad."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    station, other = (authority.issue_cert(f"{name}.example") for name in ("bench-1", "bench-2"))
    station.cert_chain_pems[0].write_to_path(tmp_path / "station.pem")
    station.private_key_pem.write_to_path(tmp_path / "station.key")
    other.private_key_pem.write_to_path(tmp_path / "other.key")
    locked = [
        "openssl",
        "pkey",
        "-in",
        "station.key",
        "-out",
        "locked.key",
        "-aes256",
        "-passout",
        "pass:hush",
    ]
    subprocess.run(locked, cwd=tmp_path, check=True, capture_output=True)
    return authority


def server(
    authority: trustme.CA,
    name: str = "localhost",
    *,
    begin: datetime.datetime | None = None,
    end: datetime.datetime | None = None,
) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name, not_before=begin, not_after=end).configure_cert(context)
    return context


@pytest.mark.asyncio
async def test_a_private_authority_and_one_kept_connection(authority: trustme.CA, tmp_path: Path) -> None:
    """The far side's certificate is held against ca_file, once for as long as the connection is kept."""
    with Receiver(tls=server(authority)) as receiver:
        async with opened(receiver.url, tmp_path, ca_file="ca.pem") as destination:
            for at in range(3):
                assert (await destination.deliver(samples(1 + at, 1), str(at))).through == 1 + at
        assert receiver.connections == 1


@pytest.mark.asyncio
async def test_our_own_certificate(authority: trustme.CA, tmp_path: Path) -> None:
    """A far side that wants one is shown it; where there is none, nothing is taken and the person is told."""
    context = server(authority)
    context.verify_mode = ssl.CERT_REQUIRED
    authority.configure_trust(context)
    mine = {"client_certificate_file": "station.pem", "client_key_file": "station.key"}
    with Receiver(tls=context) as receiver:
        assert (await deliver(receiver.url, tmp_path, samples(1, 3), ca_file="ca.pem", **mine)).through == 3
        # Its alert meets now the request that is written, now the answer that is awaited.
        for _ in range(20):
            with pytest.raises(Unreachable) as caught:
                await deliver(receiver.url, tmp_path, samples(1, 3), ca_file="ca.pem")
            assert caught.value.hint
        assert len(receiver.requests) == 1


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("case", "finding", "hint"),
    [
        ("another name", "Hostname mismatch", "write in url the name"),
        ("expired", "certificate has expired", "renewed"),
        ("not yet valid", "certificate is not yet valid", "clock"),
        ("a stranger's", "unable to get local issuer certificate", "write as ca_file"),
        ("by an authority that nobody knows", "CERTIFICATE_VERIFY_FAILED", "write as ca_file"),
    ],
)
async def test_a_bad_certificate_gets_nothing(
    authority: trustme.CA, tmp_path: Path, case: str, finding: str, hint: str
) -> None:
    """Name, time and issuer are checked, always, and no request is sent; the same batch goes out once it is mended."""
    now = datetime.datetime.now(datetime.UTC)
    context = {
        "another name": lambda: server(authority, "mes.example"),
        "expired": lambda: server(authority, begin=now - 2 * DAY, end=now - DAY),
        "not yet valid": lambda: server(authority, begin=now + DAY, end=now + 2 * DAY),
        "a stranger's": lambda: server(trustme.CA()),
        "by an authority that nobody knows": lambda: server(authority),
    }[case]()
    trust = {} if case.startswith("by") else {"ca_file": "ca.pem"}
    with Receiver(tls=context) as receiver:
        with pytest.raises(Unreachable) as caught:
            await deliver(receiver.url, tmp_path, samples(1, 3), **trust)
        assert finding in caught.value.finding
        assert hint in caught.value.hint
        assert receiver.requests == []
        authority.issue_cert("localhost").configure_cert(context)
        assert (await deliver(receiver.url, tmp_path, samples(1, 3), ca_file="ca.pem")).through == 3


@pytest.mark.asyncio
async def test_one_side_speaks_tls_and_the_other_does_not(authority: trustme.CA, tmp_path: Path) -> None:
    """Both ways round it is unreachable; https:// to a port without TLS is told as that."""
    with Receiver() as plain:
        with pytest.raises(Unreachable) as caught:
            await deliver(plain.url.replace("http:", "https:"), tmp_path, samples(1, 1), ca_file="ca.pem")
        assert "a port where TLS is spoken" in caught.value.hint
        assert plain.requests == []
    with Receiver(tls=server(authority)) as secure:
        with pytest.raises(Unreachable):
            await deliver(secure.url.replace("https:", "http:"), tmp_path, samples(1, 1))
        assert secure.requests == []


def outdated(authority: trustme.CA) -> ssl.SSLContext:
    context = server(authority)
    context.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning, match="TLSv1"):
        context.minimum_version = ssl.TLSVersion.TLSv1
    with pytest.warns(DeprecationWarning, match="TLSv1"):
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    return context


@pytest.mark.asyncio
async def test_tls_of_an_older_day_is_refused(authority: trustme.CA, tmp_path: Path) -> None:
    """A far side that has nothing newer than TLS 1.1 is unreachable; it does talk to one who asks for that."""
    with Receiver(tls=outdated(authority)) as receiver:
        asking = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
        asking.set_ciphers("ALL:@SECLEVEL=0")
        with pytest.warns(DeprecationWarning, match="TLSv1"):
            asking.minimum_version = ssl.TLSVersion.TLSv1
        with (
            socket.create_connection(("127.0.0.1", receiver.port)) as bare,
            asking.wrap_socket(bare, server_hostname="localhost") as weak,
        ):
            assert weak.version() == "TLSv1.1"
        with pytest.raises(Unreachable) as caught:
            await deliver(receiver.url, tmp_path, samples(1, 1), ca_file="ca.pem")
        assert "version 1.2 or newer" in caught.value.hint
        assert receiver.requests == []


@pytest.mark.asyncio
@pytest.mark.usefixtures("authority")
@pytest.mark.parametrize(
    "files",
    [
        {"ca_file": "none.pem"},
        {"ca_file": "station.key"},
        {"client_certificate_file": "none.pem"},
        {"client_certificate_file": "station.pem"},
        {"client_certificate_file": "station.pem", "client_key_file": "other.key"},
        {"client_certificate_file": "station.pem", "client_key_file": "locked.key"},
    ],
)
async def test_certificates_that_are_no_good_are_named(files: dict[str, Any], tmp_path: Path) -> None:
    """Missing, of the wrong sort, not of this key, locked by a passphrase: unreachable, with the file's name."""
    with pytest.raises(Unreachable) as caught:
        await deliver("https://localhost:1/", tmp_path, samples(1, 1), **files)
    assert next(iter(files.values())) in caught.value.finding
    assert "PEM" in caught.value.hint
    assert ("passphrase" in caught.value.finding) == ("locked.key" in files.values())
