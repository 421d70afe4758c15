"""TLS to a real broker: who is not who they should be is not sent a single record, and the person is told why."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Outcome, Unreachable
from gaugepost.contract.kit.destinations import samples
from tests.bench_tools.broker import Broker, Certificates, until
from tests.bench_tools.ports import free_port
from tests.contract.mqtt_bench import VERSIONS, make

pytestmark = pytest.mark.asyncio


@pytest.fixture
def certificates(tmp_path: Path) -> Certificates:
    return Certificates(tmp_path)


def secure(broker: Broker, certificates: Certificates, **settings: Any) -> dict[str, Any]:
    return {"host": "localhost", "tls": True, "ca_file": certificates.ca_file, **settings}


async def not_trusted(broker: Broker, **settings: Any) -> str:
    """Return why it does not connect."""
    destination = make(broker.port, broker.folder, **settings)
    try:
        with pytest.raises(Unreachable) as error:
            await destination.open()
    finally:
        await destination.close()
    assert "New client connected" not in broker.log(), "it was sent more than a handshake"
    return str(error.value)


@pytest.mark.parametrize("version", VERSIONS)
async def test_the_right_broker_gets_records(
    tmp_path: Path, certificates: Certificates, version: str
) -> None:
    """A certificate for this name, by the authority in ca_file, is good; relative paths start at the data directory."""
    with Broker(tmp_path, certificates.broker()) as broker:
        destination = make(
            broker.port, tmp_path, host="localhost", tls=True, ca_file="ca.pem", version=version
        )
        await destination.open()
        for first in (1, 501):
            assert await destination.deliver(samples(first, 500), "key") == Outcome(first + 499)
        await destination.close()


async def test_a_broker_that_asks_for_a_certificate_gets_one(
    tmp_path: Path, certificates: Certificates
) -> None:
    """With the station's certificate and key it is let in."""
    certificate, key = certificates.station()
    with Broker(tmp_path, certificates.broker(clients=True)) as broker:
        settings = {"client_certificate_file": certificate, "client_key_file": key}
        destination = make(broker.port, **secure(broker, certificates, **settings))
        await destination.open()
        assert await destination.deliver(samples(1, 3), "1-3") == Outcome(3)
        await destination.close()


async def test_a_missing_certificate_of_ours_is_told(tmp_path: Path, certificates: Certificates) -> None:
    """A broker that asks for a certificate ends the connection; the person is told which settings it may want."""
    with Broker(tmp_path, certificates.broker(clients=True)) as broker:
        said = await not_trusted(broker, **secure(broker, certificates))
    assert "write client_certificate_file and client_key_file" in said


BAD: dict[str, tuple[dict[str, Any], dict[str, Any], str, str]] = {
    "another name": ({"name": "broker.example"}, {}, "Hostname mismatch", "write as host the name"),
    "another address": ({}, {"host": "127.0.0.1"}, "IP address mismatch", "write as host the name"),
    "expired": ({"expired": True}, {}, "certificate has expired", "renew the broker's certificate"),
    "a stranger's": ({"stranger": True}, {}, "unable to get local issuer certificate", "write as ca_file"),
    "by an authority that nobody knows": ({}, {"ca_file": None}, "in certificate chain", "write as ca_file"),
}


@pytest.mark.parametrize("bad", BAD)
async def test_a_bad_certificate_is_not_trusted(tmp_path: Path, certificates: Certificates, bad: str) -> None:
    """Name, time and issuer are checked, always; each failure says what it is and what to do."""
    made, settings, finding, hint = BAD[bad]
    with Broker(tmp_path, certificates.broker(**made)) as broker:
        said = await not_trusted(broker, **secure(broker, certificates, **settings))
    assert finding in said
    assert hint in said


async def test_tls_1_2_is_good_enough(tmp_path: Path, certificates: Certificates) -> None:
    """A broker that has nothing newer is reached."""
    with Broker(tmp_path, (*certificates.broker(), "tls_version tlsv1.2")) as broker:
        destination = make(broker.port, **secure(broker, certificates))
        await destination.open()
        assert await destination.deliver(samples(1, 3), "1-3") == Outcome(3)
        await destination.close()


@contextmanager
def outdated(folder: Path) -> Iterator[int]:
    """A far side that speaks TLS 1.1 and nothing else; it has done so with one who asked for it."""
    port, weak = free_port(), ["-tls1_1", "-cipher", "ALL:@SECLEVEL=0"]
    files = ["-cert", str(folder / "broker.pem"), "-key", str(folder / "broker.key")]
    serve = ["openssl", "s_server", "-accept", f"127.0.0.1:{port}", "-quiet", *files, *weak]
    ask = ["openssl", "s_client", "-connect", f"127.0.0.1:{port}", *weak]

    def speaks() -> bool:
        said = subprocess.run(ask, input=b"", capture_output=True, check=False).stdout
        return b"Protocol  : TLSv1.1" in said

    with subprocess.Popen(serve, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as server:
        try:
            until(speaks, "somebody speaks TLS 1.1")
            yield port
        finally:
            server.kill()


async def test_tls_1_1_is_not(tmp_path: Path, certificates: Certificates) -> None:
    """A broker that has nothing newer is `Unreachable`."""
    certificates.broker()
    with outdated(tmp_path) as port:
        destination = make(port, tmp_path, host="localhost", tls=True, ca_file=certificates.ca_file)
        with pytest.raises(
            Unreachable, match=r"there is no TLS with .*; write the port at which it speaks TLS 1\.2"
        ):
            await destination.open()
        await destination.close()


async def test_tls_to_a_port_without_it(tmp_path: Path, certificates: Certificates) -> None:
    """Both ways round the person is told that one side speaks TLS and the other does not."""
    with Broker(tmp_path) as broker:
        assert "there is no TLS" in await not_trusted(
            broker, **secure(broker, certificates, connect_timeout_s=2)
        )
    with Broker(tmp_path, certificates.broker(), port=free_port()) as broker:
        assert "correct port, tls" in await not_trusted(broker, connect_timeout_s=2)


FILES: dict[str, tuple[dict[str, Any], str]] = {
    "no authority": ({"ca_file": "nowhere.pem"}, "nowhere.pem: No such file"),
    "no certificate": ({"client_certificate_file": "nowhere.pem"}, "nowhere.pem: No such file"),
    "an authority that is none": ({"ca_file": "nonsense"}, "nonsense: "),
    "a certificate that is none": ({"client_certificate_file": "nonsense"}, "nonsense: "),
    "another's key": (
        {"client_certificate_file": "station.pem", "client_key_file": "broker.key"},
        "broker.key: ",
    ),
}


@pytest.mark.parametrize("wrong", FILES)
async def test_files_that_are_no_good(tmp_path: Path, certificates: Certificates, wrong: str) -> None:
    """A file that is missing or holds something else is named, and waited for."""
    settings, said = FILES[wrong]
    (tmp_path / "nonsense").write_text("nonsense\n")
    certificates.station()
    with Broker(tmp_path, certificates.broker()) as broker:
        assert said in await not_trusted(broker, **secure(broker, certificates, **settings))
