"""The connection over which commands come, facing a broker whose every answer the test writes (MQTT 5.0, chapter 3)."""

from __future__ import annotations

import asyncio
import json
import struct
from pathlib import Path

import pytest

from gaugepost.contract import MOST_COMMAND_BYTES, CommandSource, Unreachable
from gaugepost_adapters.destinations.mqtt.commands.inbox import MOST_WAITING
from tests.bench_tools.scripted_broker import DISCONNECT, PUBACK, Peer, Script, scripted
from tests.contract.mqtt_bench import make

pytestmark = pytest.mark.asyncio

SUBSCRIBE, SUBACK = 8, 9
BELOW = "gaugepost/bench 1/command"
REPLY = "gaugepost/bench 1/reply"


async def subscribed(peer: Peer, code: int = 1) -> bytes:
    """Let the station in, answer its subscription with `code` (3.9.3), and return what it subscribed to."""
    await peer.let_in()
    kind, _, body = await peer.packet()
    assert kind == SUBSCRIBE
    peer.say(SUBACK, body[:2] + bytes((0, code)))
    return body


def send(
    peer: Peer, name: str, payload: bytes, *, packet: int = 1, dup: bool = False, retain: bool = False
) -> None:
    """Publish a command at QoS 1 (3.3)."""
    topic = f"{BELOW}/{name}".encode()
    rest = struct.pack("!H", len(topic)) + topic + struct.pack("!HB", packet, 0) + payload
    length = bytes((len(rest) % 128 | 0x80, len(rest) // 128 % 128 | 0x80, len(rest) // 16384))
    peer.writer.write(bytes((0x32 | dup << 3 | retain,)) + length + rest)


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (0x80, "0x80 unspecified error"),
        (0x87, "0x87 not authorized"),
        (0xA2, "use a broker that takes wildcards"),
    ],
)
async def test_a_subscription_that_is_refused(code: int, said: str) -> None:
    """Whatever the broker answers to a subscription from 0x80 on is `Unreachable`, with its name and what to do."""

    async def script(peer: Peer) -> None:
        await subscribed(peer, code)
        assert (await peer.packet())[0] == DISCONNECT

    async with scripted(script) as port:
        with pytest.raises(Unreachable, match=said) as error:
            async with make(port, commands=True).commands():
                raise AssertionError("no commands can come")
        assert f"{BELOW}/+" in str(error.value)


async def test_a_subscription_that_nobody_answers() -> None:
    """A broker that says nothing to a subscription is given up, and nothing is left of the connection."""

    async def script(peer: Peer) -> None:
        await peer.let_in()
        await peer.packet()
        await peer.packet()

    async with scripted(script) as port:
        with pytest.raises(Unreachable, match="acknowledged nothing"):
            async with make(port, commands=True, ack_timeout_s=0.3).commands():
                raise AssertionError("no commands can come")


async def test_what_comes_is_handed_on_and_answered() -> None:
    """Fresh commands come in order with their bytes, a repeat of the broker too; a retained one is answered instead."""
    answers: list[dict[str, object]] = []

    async def script(peer: Peer) -> None:
        body = await subscribed(peer)
        # The filter, then options: QoS 1, no local (3.8.3.1).
        assert body.endswith(f"{BELOW}/+".encode() + bytes((0x05,)))
        send(peer, "void", b'{"request": "old"}', packet=1, retain=True)
        send(peer, "set", b"one", packet=2)
        send(peer, "set", b"one", packet=2, dup=True)
        send(peer, "set", b"x" * (MOST_COMMAND_BYTES + 7), packet=3)
        while len(answers) < 4:
            kind, _, body = await peer.packet()
            if kind != PUBACK:
                length = struct.unpack_from("!H", body)[0]
                assert body[2 : 2 + length].decode() == REPLY
                answers.append(json.loads(body[body.index(b"{") :]))
                peer.say(PUBACK, body[2 + length : 4 + length] + b"\x00")
        await peer.packet()

    async with scripted(script) as port:
        destination = make(port, commands=True)
        assert isinstance(destination, CommandSource)
        assert destination.brings_commands
        came: list[tuple[str, bytes]] = []
        async with asyncio.timeout(30), destination.commands() as commands:
            async for asked in commands:
                came.append((asked.name, asked.body))
                asked.answer({"number": len(came)})
                if len(came) == 3:
                    break
    assert came == [("set", b"one"), ("set", b"one"), ("set", b"x" * (MOST_COMMAND_BYTES + 1))]
    assert [each["number"] for each in answers if "number" in each] == [1, 2, 3]
    (refused,) = [each for each in answers if "number" not in each]
    assert (refused["status"], refused["command"], refused["request"]) == (409, "void", "old")


async def test_what_has_no_room_is_refused_at_once() -> None:
    """While those before it wait, so many more may; the next is told to come again, though nobody looks yet."""
    answered = asyncio.Event()

    async def script(peer: Peer) -> None:
        await subscribed(peer)
        for at in range(MOST_WAITING + 1):
            send(peer, "set", json.dumps({"request": f"r{at}"}).encode(), packet=at + 1)
        while True:
            kind, _, body = await peer.packet()
            if kind != PUBACK:
                said = json.loads(body[body.index(b"{") :])
                assert (said["status"], said["request"]) == (503, f"r{MOST_WAITING}")
                answered.set()

    async with scripted(script) as port, make(port, commands=True).commands() as commands:
        async with asyncio.timeout(30):
            await answered.wait()
            came = [json.loads((await anext(commands)).body)["request"] for _ in range(MOST_WAITING)]
    assert came == [f"r{at}" for at in range(MOST_WAITING)]


@pytest.mark.parametrize("how", ["thrown out", "closed", "nonsense"])
async def test_a_connection_that_ends_says_why(how: str) -> None:
    """Who waits for a command hears that none can come any more, and why; the next connection is a new one."""

    async def first(peer: Peer) -> None:
        await subscribed(peer)
        if how == "thrown out":
            peer.throw_out(0x98, "maintenance")
        elif how == "nonsense":
            peer.writer.write(b"\xf0\x01\xff")

    async def second(peer: Peer) -> None:
        await subscribed(peer)
        send(peer, "set", b"{}")
        await peer.packet()
        await peer.packet()

    scripts: tuple[Script, ...] = (first, second)
    async with scripted(*scripts) as port:
        destination = make(port, Path(), commands=True)
        async with asyncio.timeout(30), destination.commands() as commands:
            with pytest.raises(Unreachable, match="maintenance" if how == "thrown out" else f"{port}"):
                await anext(commands)
        async with asyncio.timeout(30), destination.commands() as commands:
            assert (await anext(commands)).body == b"{}"
