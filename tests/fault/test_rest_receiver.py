"""A far side that stalls, breaks off, lies or vanishes: nothing is lost, and what it took before it is told apart."""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gaugepost.contract import Unreachable
from gaugepost.contract.kit.destinations import EPOCH, samples
from tests.bench_tools.receiver import Act, Blurts, Drips, Receiver, Resets, Stalls
from tests.contract.rest_bench import deliver, key, opened

BATCH = samples(1, 30)
SILENCE = {"read_timeout_s": 0.3}
ENDLESS = {"request_timeout_s": 0.6}

FAULTS: dict[str, tuple[Act, str]] = {
    "stalls": (Stalls(), "no answer within 0.3 s"),
    "takes it and stalls": (Stalls(takes=True), "no answer within 0.3 s"),
    "drips": (Drips(), "not done within 0.6 s"),
    "resets": (Resets(takes=False), "the connection broke"),
    "takes it and resets": (Resets(), "the connection broke"),
    "takes it and resets within the status line": (Resets(sent=7), "the connection broke"),
    "takes it and resets within the headers": (Resets(sent=30), "the connection broke"),
    "takes it and resets within the body": (Resets(sent=-1), "the connection broke"),
    "closes": (Blurts(b""), "the connection broke"),
    "speaks no HTTP": (Blurts(b"220 mail.example ESMTP\r\n"), "the connection broke"),
    "speaks of an older day": (Blurts(b"\x15\x03\x01\x00\x02\x02\x28"), "the connection broke"),
    "has endless headers": (Blurts(b"HTTP/1.1 200 OK\r\nX: " + b"x" * 500_000), "the connection broke"),
    "ends before its length": (
        Blurts(b"HTTP/1.1 200 OK\r\nContent-Length: 9\r\n\r\nok"),
        "the connection broke",
    ),
    "has two lengths": (
        Blurts(b"HTTP/1.1 200 OK\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nok"),
        "the connection broke",
    ),
}


@pytest.mark.asyncio
@pytest.mark.parametrize("fault", FAULTS)
async def test_an_answer_that_is_lost_leads_to_the_same_request(fault: str, tmp_path: Path) -> None:
    """Without a whole answer nothing counts as taken; the repeat has the same key, and the far side takes it once."""
    act, words = FAULTS[fault]
    with Receiver() as receiver:
        receiver.script.append(act)
        short = SILENCE if isinstance(act, Stalls) else ENDLESS if isinstance(act, Drips) else {}
        with pytest.raises(Unreachable, match=re.escape(words)) as caught:
            await deliver(receiver.url, tmp_path, BATCH, **short)
        assert caught.value.hint
        await asyncio.to_thread(receiver.wait, lambda: bool(receiver.requests))
        took = bool(receiver.taken)
        assert took == (isinstance(act, Stalls | Resets) and act.takes)
        assert (await deliver(receiver.url, tmp_path, BATCH)).through == 30
        first, second = receiver.requests
        assert (first.key, first.body) == (second.key, second.body)
        assert (receiver.repeats, receiver.mismatches) == (int(took), 0)
        assert receiver.ids == [f"{EPOCH}-{sequence}" for sequence in range(1, 31)]


@pytest.mark.attack
@pytest.mark.asyncio
async def test_a_fault_at_every_request_of_a_bisection(tmp_path: Path) -> None:
    """Broken off at each of its requests in turn, half of them after they were taken, a bisection ends as if never."""
    refused = {3, 17, 18, 64}

    def refuses(record: dict[str, object]) -> int:
        return 422 if record["sequence"] in refused else 0

    batch = samples(1, 64)
    with Receiver(refuses=refuses) as quiet:
        expected = await deliver(quiet.url, tmp_path, batch)
    with Receiver(refuses=refuses) as receiver:
        for at in range(len(quiet.requests)):
            receiver.script.extend([*[None] * at, Resets(takes=at % 2 == 0)])
            with pytest.raises(Unreachable):
                # A new object knows nothing of what was answered, as after a kill: all of it goes out again.
                await deliver(receiver.url, tmp_path, batch)
        assert await deliver(receiver.url, tmp_path, batch) == expected
    assert [refusal.id for refusal in expected.refused] == [
        f"{EPOCH}-{sequence}" for sequence in sorted(refused)
    ]
    assert receiver.ids == quiet.ids == [f"{EPOCH}-{at}" for at in range(1, 65) if at not in refused]
    assert receiver.mismatches == 0
    assert {request.key for request in receiver.requests} == {request.key for request in quiet.requests}


@pytest.mark.asyncio
async def test_a_connection_that_went_while_idle_is_no_outage(tmp_path: Path) -> None:
    """A server that was started again between two batches gets the second one at the first attempt."""
    with Receiver() as receiver:
        async with opened(receiver.url, tmp_path) as destination:
            await destination.deliver(samples(1, 3), "a")
            with receiver.cut_off():
                pass
            assert (await destination.deliver(samples(4, 3), "b")).through == 6
        assert receiver.connections == 2
        assert len(receiver.requests) == 2


@pytest.mark.asyncio
async def test_an_end_in_the_midst_of_a_request_is_orderly(tmp_path: Path) -> None:
    """Cancelled while the far side is silent, the connection goes and nothing is left behind."""
    with Receiver() as receiver:
        receiver.script.append(Stalls())
        async with opened(receiver.url, tmp_path) as destination:
            task = asyncio.create_task(destination.deliver(BATCH, key(BATCH)))
            await asyncio.to_thread(receiver.wait, lambda: bool(receiver.requests))
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
        async with opened(receiver.url, tmp_path) as destination:
            assert (await destination.deliver(BATCH, key(BATCH))).through == 30


@contextlib.contextmanager
def bare_server(serve: Callable[[socket.socket], None], **options: int) -> Iterator[str]:
    """A server that is nothing but a socket: each connection goes to `serve`."""
    stop = threading.Event()
    with socket.socket() as listening:
        for name, value in options.items():
            listening.setsockopt(socket.SOL_SOCKET, getattr(socket, name), value)
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        listening.settimeout(0.05)

        def accept() -> None:
            held = []
            while not stop.is_set():
                with contextlib.suppress(TimeoutError):
                    connection, _ = listening.accept()
                    held.append(connection)
                    connection.settimeout(5)
                    serve(connection)
            for connection in held:
                connection.close()

        thread = threading.Thread(target=accept)
        thread.start()
        try:
            yield f"http://127.0.0.1:{listening.getsockname()[1]}/"
        finally:
            stop.set()
            thread.join()


@pytest.mark.asyncio
async def test_a_far_side_that_takes_no_bytes(tmp_path: Path) -> None:
    """A server that accepts and does not read ends in a time-out of its own."""
    large = [{**record, "text": "x" * 400_000} for record in samples(1, 30)]
    with (
        bare_server(lambda connection: None, SO_RCVBUF=4096) as url,
        pytest.raises(Unreachable, match=r"it took nothing for 0\.3 s"),
    ):
        await deliver(url, tmp_path, large, write_timeout_s=0.3, most_bytes=100_000_000)


@pytest.mark.asyncio
async def test_a_far_side_that_accepts_nobody(tmp_path: Path) -> None:
    """A computer that answers no connection at all ends in a time-out of its own."""
    with socket.socket() as listening, contextlib.ExitStack() as others:
        listening.bind(("127.0.0.1", 0))
        listening.listen(0)
        for _ in range(3):  # the queue is full, and the kernel is silent to whoever comes next
            other = others.enter_context(socket.socket())
            other.setblocking(False)
            other.connect_ex(listening.getsockname())
        with pytest.raises(Unreachable, match=r"no connection within 0\.3 s"):
            await deliver(
                f"http://127.0.0.1:{listening.getsockname()[1]}/", tmp_path, BATCH, connect_timeout_s=0.3
            )


@pytest.mark.asyncio
async def test_nobody_there_and_no_such_name(tmp_path: Path) -> None:
    """A refused connection and a name that does not exist say so (RFC 6761, 6.4: .invalid never resolves)."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{taken.getsockname()[1]}/"
        with pytest.raises(Unreachable, match="check network, address and proxy"):
            await deliver(url, tmp_path, BATCH)
    with pytest.raises(Unreachable, match="check network, address and proxy"):
        await deliver("https://nobody.invalid/", tmp_path, BATCH)


@pytest.mark.asyncio
async def test_an_answer_before_the_body_is_read(tmp_path: Path) -> None:
    """A server that says 413 on seeing the length, without reading on, is understood, and gets it by halves."""
    sizes = []

    def serve(connection: socket.socket) -> None:
        with connection.makefile("rwb") as stream:
            head = iter(stream.readline, b"\r\n")
            length = next(
                int(line.split()[1]) for line in [*head] if line.lower().startswith(b"content-length")
            )
            sizes.append(length)
            if length > 1_000_000:
                stream.write(b"HTTP/1.1 413 Too Large\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
                stream.flush()
                connection.shutdown(socket.SHUT_WR)
                while stream.read1(65536):  # lingering close (RFC 9112, 9.6), else the answer may be lost
                    pass
            else:
                stream.read(length)
                stream.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\nConnection: close\r\n\r\n")
                stream.flush()

    large = [{**record, "text": "x" * 200_000} for record in samples(1, 16)]
    with bare_server(serve) as url:
        outcome = await deliver(url, tmp_path, large, most_bytes=100_000_000)
    assert (outcome.through, list(outcome.refused)) == (16, [])
    assert [size > 1_000_000 for size in sizes] == [True, True, False, False, True, False, False]
