"""deploy/plant/collect.py: what many benches tell comes together beside the board, whatever happens to one of them."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import trustme

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.ports import free_port

COLLECT = Path(__file__).parents[2] / "deploy" / "plant" / "collect.py"
NETWORKED = """
[service]
host = "0.0.0.0"
certificate_file = "service.pem"
key_file = "service.key"
names = ["localhost"]
"""


def collects(folder: Path, *more: str) -> list[str]:
    """Return the words that collect from the list in `folder`. -I -S: with nothing but Python itself."""
    return [sys.executable, "-I", "-S", str(COLLECT), str(folder / "list.csv"), str(folder / "board"), *more]


def once(folder: Path, *more: str, code: int = 0) -> str:
    """Have it ask once; return what it said."""
    words = collects(folder, "--once", *more)
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout + done.stderr


def lists(folder: Path, **addresses: str) -> None:
    """Write a list of benches, with a column that only station files need."""
    rows = "".join(f"{name.replace('_', '-')},UTC,{at}\n" for name, at in addresses.items())
    (folder / "list.csv").write_text(f"bench,zone,address\n{rows}", encoding="utf-8")


@contextmanager
def bench(folder: Path, extra: str = "") -> Iterator[Daemon]:
    """Yield a bench that measures."""
    folder.mkdir(exist_ok=True)
    with Port() as port, Daemon(folder, station_file([port]) + extra) as daemon:
        port.send(b"38.0141 mm\r\n")
        if not extra:
            daemon.wait_for(1, kind="reading")
        yield daemon


def test_what_each_tells_lies_beside_the_board(tmp_path: Path) -> None:
    """All at once; one that fell silent keeps what it told, is named with why, and is listed still."""
    with bench(tmp_path / "1") as one:
        with bench(tmp_path / "2") as two:
            lists(tmp_path, b_1=one.address, b_2=two.address)
            assert "2 of 2 benches" in once(tmp_path)
        board = tmp_path / "board"
        told = (board / "b-2.metrics").read_bytes()
        assert told.endswith(b"# EOF\n")
        assert 'gaugepost_readings_total{gauge="g0"' in told.decode()
        before = (board / "b-1.metrics").stat().st_mtime_ns
        said = once(tmp_path, code=1)
        assert "1 of 2 benches" in said
        assert "b-2: [Errno 111] Connection refused" in said
    assert (board / "b-2.metrics").read_bytes() == told
    assert (board / "b-1.metrics").stat().st_mtime_ns > before
    assert (board / "benches.txt").read_text() == "b-1.metrics\nb-2.metrics\n"
    assert sorted(path.name for path in board.iterdir()) == [
        "b-1.metrics",
        "b-2.metrics",
        "benches.txt",
        "board.html",
    ]


def test_it_goes_on_and_says_what_changes(tmp_path: Path) -> None:
    """A bench that is away is said once, and once when it is back."""
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port]), port=free_port())
        lists(tmp_path, b_1=f"http://127.0.0.1:{daemon.port}")
        words = collects(tmp_path, "--every", "0.05")
        with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as collecting:
            assert collecting.stderr is not None
            try:
                assert "refused" in collecting.stderr.readline()
                with daemon:
                    assert collecting.stderr.readline() == "b-1: answers again\n"
                assert collecting.stderr.readline().startswith("b-1: ")
            finally:
                collecting.terminate()


def test_a_bench_on_the_network_takes_a_token_and_is_held_to_its_certificate(tmp_path: Path) -> None:
    """Without the right certificate nothing is told to it, without a token it says what is missing."""
    authority, data, tokens = trustme.CA(), tmp_path / "1" / "data", tmp_path / "tokens"
    data.mkdir(parents=True)
    tokens.mkdir()
    made = authority.issue_cert("localhost")
    made.cert_chain_pems[0].write_to_path(str(data / "service.pem"))
    made.private_key_pem.write_to_path(str(data / "service.key"))
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    with bench(tmp_path / "1", NETWORKED) as one:
        lists(tmp_path, b_1=f"https://localhost:{one.address.rpartition(':')[2]}")
        assert "its certificate is not trusted" in once(tmp_path, code=1)
        trusted = ("--ca-file", str(tmp_path / "ca.pem"), "--tokens", str(tokens))
        assert "it wants a token of scope read" in once(tmp_path, *trusted, code=1)
        grant = [sys.executable, "-m", "gaugepost", "access", "grant", "board"]
        token = subprocess.run(grant, cwd=tmp_path / "1", capture_output=True, text=True, check=True).stdout
        (tokens / "b-1.token").write_text(token)
        assert "1 of 1 benches" in once(tmp_path, *trusted)
    lists(tmp_path, b_1="http://bench-1.plant.example:8620")
    said = once(tmp_path, *trusted, code=2)
    assert "for all to read; write https://" in said
    assert token.strip() not in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("bench,address\n../b,http://127.0.0.1:1\n", "line 2: '../b' can't be the name of a bench"),
        ("bench,address\nb,bench-1\n", "line 2: 'bench-1' is no address of a bench; write it"),
        ("bench,address\nb,http://h:99999\n", "is no address of a bench"),
        ("bench,address\nb,http://[::1\n", "is no address of a bench"),
        ("bench,zone\nb,UTC\n", "line 2: '' is no address of a bench"),
        ("bench,address\nb,http://h\nb,http://h\n", "b is named twice"),
        ("bench,address\n", "there is no bench"),
        ("bench,address\nb\n", "line 2: '' is no address"),
    ],
)
def test_a_list_that_is_wrong_is_said_and_nothing_is_written(text: str, said: str, tmp_path: Path) -> None:
    """The answer names the line and what to write."""
    (tmp_path / "list.csv").write_text(text, encoding="utf-8")
    told = once(tmp_path, code=2)
    assert said in told
    assert "Traceback" not in told
    assert not (tmp_path / "board").exists()


def test_what_is_no_bench_replaces_nothing(tmp_path: Path) -> None:
    """Another program's answer is not kept in the place of a bench's."""
    words = [
        sys.executable,
        "-u",
        "-m",
        "http.server",
        "--bind",
        "127.0.0.1",
        "--directory",
        str(tmp_path),
        "0",
    ]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as other:
        try:
            assert other.stdout is not None
            port = other.stdout.readline().split("port ")[1].split()[0]
            lists(tmp_path, b_1=f"http://127.0.0.1:{port}")
            assert "b-1: what answers there tells no metrics (404)" in once(tmp_path, code=1)
            (tmp_path / "v1").mkdir()
            (tmp_path / "v1" / "metrics").write_text("gaugepost_recording 1\n")  # cut off before its end
            assert "tells no metrics (200)" in once(tmp_path, code=1)
        finally:
            other.terminate()
    assert not (tmp_path / "board" / "b-1.metrics").exists()
