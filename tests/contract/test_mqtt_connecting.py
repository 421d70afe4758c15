"""Getting to a broker and away from it: whoever answers or does not, nobody waits for ever, and nothing is left."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Outcome, Unreachable
from gaugepost.contract.kit.destinations import samples
from tests.bench_tools.broker import Broker, Subscriber
from tests.bench_tools.ports import free_port
from tests.bench_tools.scripted_broker import CONNACK, DISCONNECT, Peer, scripted
from tests.contract.mqtt_bench import STATUS, ids, make, once, opened, until

pytestmark = pytest.mark.asyncio

NOT_LET_IN = {
    0x80: "unspecified error",
    0x84: "write version",
    0x85: "client_id",
    0x86: "correct username",
    0x87: "have the broker allow",
    0x88: "server unavailable",
    0x89: "server busy",
    0x8A: "banned",
    0x97: "quota exceeded",
    0x9A: 'status_topic = ""',
    0x9B: "a broker that takes QoS 1",
    0x9D: "as host",
}


@pytest.mark.parametrize("code", NOT_LET_IN)
async def test_not_let_in_says_why(code: int) -> None:
    """Every refusal of a connection (3.2.2.2) is `Unreachable`, with the code, its name and what to do."""

    async def script(peer: Peer) -> None:
        await peer.let_in(code)
        await peer.packet()

    async with scripted(script) as port:
        destination = make(port)
        with pytest.raises(Unreachable, match=f"refuses the connection: 0x{code:02X} .*") as error:
            await destination.open()
        assert NOT_LET_IN[code] in str(error.value)
        await destination.close()


@pytest.mark.parametrize(("code", "said"), [(2, "0x85"), (3, "0x88"), (4, "0x86"), (5, "0x87")])
async def test_not_let_in_by_version_3(code: int, said: str) -> None:
    """The return codes of 3.1.1 (3.2.2.3 there) are told in the same words."""

    async def script(peer: Peer) -> None:
        await peer.packet()
        peer.say(CONNACK, bytes((0, code)))
        await peer.packet()

    async with scripted(script) as port:
        destination = make(port, version="3.1.1")
        with pytest.raises(Unreachable, match=f"refuses the connection: {said}"):
            await destination.open()
        await destination.close()


@pytest.mark.parametrize(("properties", "said"), [(b"\x24\x00", "0x9B"), (b"\x25\x00", "0x9A")])
async def test_a_broker_that_takes_too_little(properties: bytes, said: str) -> None:
    """One that takes QoS 0 only, or keeps nothing though a status is wanted, is `Unreachable`."""

    async def script(peer: Peer) -> None:
        await peer.let_in(properties=properties)
        kind, _, _ = await peer.packet()
        assert kind == DISCONNECT

    async with scripted(script) as port:
        destination = make(port)
        with pytest.raises(Unreachable, match=said):
            await destination.open()
        await destination.close()


async def test_version_3_is_not_spoken_here() -> None:
    """A broker that does not speak 3.1.1 (return code 1) is no reason to speak 3.1: the person is told."""

    async def script(peer: Peer) -> None:
        await peer.packet()
        peer.say(CONNACK, b"\0\1")
        await peer.packet()

    async with scripted(script) as port:
        destination = make(port, version="3.1.1")
        with pytest.raises(Unreachable, match=r"not in MQTT 3\.1\.1; correct port and version"):
            await destination.open()
        await destination.close()


NO_MQTT = {
    "a web server": b"HTTP/1.1 400 Bad Request\r\n\r\n",
    "zeros": bytes(64),
    "a CONNACK without end": b"\x20\xff\xff\xff\xff\xff",
    "a CONNACK of nothing": b"\x20\x00",
    "a CONNACK cut short": b"\x20\x01\x00",
    "properties that are none": b"\x20\x05\x00\x00\x02\xff\xff",
    "text that is none": b"\x20\x08\x00\x00\x05\x1f\x00\x02\xff\xfe",
}


@pytest.mark.parametrize("said", NO_MQTT)
async def test_who_speaks_no_mqtt_is_unreachable(said: str) -> None:
    """Whatever answers at that port, it is waited out like an outage and no bug of ours."""

    async def script(peer: Peer) -> None:
        await peer.packet()
        peer.writer.write(NO_MQTT[said])

    async with scripted(script) as port:
        destination = make(port, connect_timeout_s=2)
        with pytest.raises(Unreachable, match=r"^127\.0\.0\.1:\d+ "):
            await destination.open()
        await destination.close()


@contextmanager
def nobody() -> Iterator[int]:
    """A port at which connecting neither succeeds nor fails: nobody takes the few that wait."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(0)
        port = listening.getsockname()[1]
        waiting = [socket.socket() for _ in range(4)]
        try:
            for each in waiting:
                each.setblocking(False)
                with suppress(BlockingIOError):
                    each.connect(("127.0.0.1", port))
            yield port
        finally:
            for each in waiting:
                each.close()


@contextmanager
def silence() -> Iterator[int]:
    """A port at which connections are taken and nothing is ever said."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening.getsockname()[1]


MUTE: dict[str, tuple[Any, dict[str, Any]]] = {
    "no connection": (nobody, {}),
    "no TLS": (silence, {"tls": True}),
    "no MQTT": (silence, {}),
}


@pytest.mark.parametrize("mute", MUTE)
async def test_who_does_not_answer_is_given_up(mute: str) -> None:
    """Connecting, TLS and the broker's first answer together take no longer than was set, and the loop stays free."""
    where, settings = MUTE[mute]
    with where() as port:
        destination = make(port, connect_timeout_s=0.4, **settings)
        turns = 0

        async def work() -> None:
            nonlocal turns
            while True:
                turns += 1
                await asyncio.sleep(0.01)

        working = asyncio.create_task(work())
        with pytest.raises(Unreachable, match=r"does not answer within 0\.4 s; look whether"):
            await destination.open()
        await destination.close()
        working.cancel()
        assert turns > 10, "the loop stood still"


@pytest.mark.parametrize("mute", MUTE)
async def test_connecting_can_be_broken_off(mute: str) -> None:
    """A daemon that is told to end while it connects does not wait for the time that connecting may take."""
    where, settings = MUTE[mute]
    with where() as port:
        destination = make(port, connect_timeout_s=600, **settings)
        opening = asyncio.create_task(destination.open())
        await asyncio.sleep(0.1)
        opening.cancel()
        async with asyncio.timeout(10):
            with suppress(asyncio.CancelledError):
                await opening
            await destination.close()


async def test_nobody_there_says_what_to_look_at() -> None:
    """A port where nothing listens is told in words, with what to do."""
    destination = make(free_port())
    with pytest.raises(Unreachable, match=r"nothing listens at 127\.0\.0\.1:\d+; start the broker"):
        await destination.open()
    await destination.close()


async def test_a_name_that_nobody_knows(monkeypatch: pytest.MonkeyPatch) -> None:
    """The finding is the resolver's, the hint is what to correct. No name server is asked here."""

    def unknown(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    destination = make(1883, host="broker.invalid", allow_plain_mqtt=True)
    with monkeypatch.context() as patched:
        patched.setattr(socket, "getaddrinfo", unknown)
        with pytest.raises(
            Unreachable,
            match=r"name broker\.invalid can't be resolved: Name or service not known; correct host",
        ):
            await destination.open()
    await destination.close()


async def test_a_name_server_that_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing can break off the look-up of a name: it is waited for no longer than was set, and harms nobody later."""
    answer = threading.Event()
    real = socket.getaddrinfo

    def slow(*arguments: Any, **more: Any) -> Any:
        answer.wait()
        return real("127.0.0.1", *arguments[1:], **more)

    with silence() as port, monkeypatch.context() as patched:
        patched.setattr(socket, "getaddrinfo", slow)
        destination = make(port, host="broker.example", allow_plain_mqtt=True, connect_timeout_s=0.1)
        with pytest.raises(Unreachable, match=r"broker\.example was not resolved in time; check the network"):
            await destination.open()
        await destination.close()
        answer.set()  # the thread ends by itself now; that none is left is held by every test


async def test_a_delivery_can_be_broken_off(tmp_path: Path) -> None:
    """Cancelled in the midst of a batch it can be closed and opened again, and the same batch is then complete."""
    with Broker(tmp_path) as broker, Subscriber(broker, "gaugepost/#") as subscriber:
        async with opened(broker, ack_timeout_s=600) as destination:
            with broker.frozen():
                delivering = asyncio.create_task(destination.deliver(samples(1, 50), "1-50"))
                await asyncio.sleep(0.1)
                delivering.cancel()
                async with asyncio.timeout(10):
                    with suppress(asyncio.CancelledError):
                        await delivering
                    await destination.close()
            await destination.open()
            assert await destination.deliver(samples(1, 50), "1-50") == Outcome(50)
        heard = subscriber.settled()
    assert once(ids(heard)) == [record["id"] for record in samples(1, 50)]
    assert [each.json["status"] for each in heard if each.topic == STATUS][-2:] == ["online", "offline"]


async def test_a_frozen_broker_does_not_hold_up_closing(tmp_path: Path) -> None:
    """Closing says goodbye to a broker that hears it, and does not wait for one that does not."""
    with Broker(tmp_path) as broker:
        destination = make(broker.port)
        await destination.open()
        with broker.frozen():
            async with asyncio.timeout(4.5):  # a delivery takes 5 s for a bug
                await destination.close()


async def test_a_silent_broker_is_noticed_while_nothing_is_sent() -> None:
    """The keep-alive finds a broker that has gone without a word, and connects anew."""
    pings = 0

    async def first(peer: Peer) -> None:
        nonlocal pings
        await peer.let_in(properties=b"\x13\x00\x01")  # Server Keep Alive: one second (3.2.2.3.14)
        while True:
            kind, _, _ = await peer.packet()
            pings += kind == 12

    let_in_again = asyncio.Event()

    async def second(peer: Peer) -> None:
        await peer.let_in()
        let_in_again.set()
        await peer.packet()

    async with scripted(first, second) as port:
        destination = make(port, status_topic="")
        await destination.open()
        await until(let_in_again.is_set)
        assert pings == 1
        await destination.close()


async def test_it_says_goodbye() -> None:
    """Closing ends with DISCONNECT (3.14), so that the broker does not take it for a failure."""
    last: list[tuple[int, bytes]] = []

    async def script(peer: Peer) -> None:
        await peer.let_in()
        kind, _, body = await peer.packet()
        last.append((kind, body))

    async with scripted(script) as port:
        destination = make(port, status_topic="")
        await destination.open()
        await destination.close()
        await until(lambda: bool(last))
    assert last[0][0] == DISCONNECT
    assert last[0][1] in (b"", b"\0", b"\0\0")
