"""What each answer of a broker does to the records it is about. Codes and packets by MQTT 5.0, 2.4 and chapter 3."""

from __future__ import annotations

import asyncio
import json
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from gaugepost.contract import Outcome, Refusal, Unreachable
from gaugepost.contract.kit.destinations import EPOCH, samples
from gaugepost_adapters.destinations.mqtt.destination import Mqtt
from tests.bench_tools.scripted_broker import Peer, Published, Script, scripted
from tests.contract.mqtt_bench import make

pytestmark = pytest.mark.asyncio


@asynccontextmanager
async def facing(*scripts: Script, **settings: Any) -> AsyncIterator[Mqtt]:
    """A destination that is open, with a scripted broker; without a status, so that records come first."""
    async with scripted(*scripts) as port:
        destination = make(port, status_topic="", **settings)
        await destination.open()
        try:
            yield destination
        finally:
            await destination.close()


def sequence(message: Published) -> int:
    found: int = json.loads(message.payload)["sequence"]
    return found


def answering(codes: dict[int, int]) -> Script:
    """Let in and acknowledge, with the code of each sequence."""

    async def script(peer: Peer) -> None:
        await peer.let_in()
        while True:
            message = await peer.published()
            peer.acknowledge(message, codes.get(sequence(message), 0))

    return script


async def test_nobody_listening_is_no_failure() -> None:
    """0x10, no matching subscribers, is an answer like 0: the broker has taken the record."""
    async with facing(answering({2: 0x10})) as destination:
        assert await destination.deliver(samples(1, 3), "1-3") == Outcome(3)


@pytest.mark.parametrize(("code", "name"), [(0x90, "topic name invalid"), (0x99, "payload format invalid")])
async def test_what_a_record_will_always_get_sets_it_aside(code: int, name: str) -> None:
    """The one record is refused with the broker's answer, and those around it are delivered."""
    async with facing(answering({2: code, 4: code})) as destination:
        answer = f"0x{code:02X} {name}"
        assert await destination.deliver(samples(1, 4), "1-4") == Outcome(
            4, (Refusal(f"{EPOCH}-2", answer), Refusal(f"{EPOCH}-4", answer))
        )


@pytest.mark.parametrize("code", [0x80, 0x83, 0x87, 0x91, 0x97])
async def test_what_somebody_can_change_is_tried_again(code: int) -> None:
    """Rights, quota and troubles of the broker keep the record: done before it, `Unreachable` where it is the first."""
    async with facing(answering({3: code})) as destination:
        assert await destination.deliver(samples(1, 5), "1-5") == Outcome(2)
        with pytest.raises(Unreachable, match=f"0x{code:02X} .*{EPOCH}-3|{EPOCH}-3: 0x{code:02X} .*; "):
            await destination.deliver(samples(3, 3), "3-5")


async def test_nothing_is_sent_past_a_record_that_waits() -> None:
    """With one on the way at a time nothing overtakes the one that is not taken for now."""
    came: list[int] = []

    async def script(peer: Peer) -> None:
        await peer.let_in()
        while True:
            message = await peer.published()
            came.append(sequence(message))
            peer.acknowledge(message, 0x97 if came == [1, 2, 3] else 0)

    async with facing(script, max_in_flight=1) as destination:
        assert await destination.deliver(samples(1, 9), "1-9") == Outcome(2)
        assert await destination.deliver(samples(3, 7), "3-9") == Outcome(9)
    assert came == [1, 2, 3, *range(3, 10)]


async def test_what_waits_is_overtaken_once() -> None:
    """Those on their way past a record that is not taken for now come before it; no retry sends any past it again."""
    came: list[int] = []

    async def script(peer: Peer) -> None:
        await peer.let_in()
        while True:
            message = await peer.published()
            came.append(sequence(message))
            peer.acknowledge(message, 0x97 if sequence(message) == 3 and came.count(3) < 4 else 0)

    async with facing(script, max_in_flight=4) as destination:
        assert await destination.deliver(samples(1, 9), "1-9") == Outcome(2)
        overtook = came[came.index(3) + 1 :]
        for _ in range(2):
            with pytest.raises(Unreachable, match="0x97 quota exceeded"):
                await destination.deliver(samples(3, 7), "3-9")
        assert came == [1, 2, 3, *overtook, 3, 3]
        assert overtook == [*range(4, 4 + len(overtook))]
        assert len(overtook) <= 3
        assert await destination.deliver(samples(3, 7), "3-9") == Outcome(9)
    assert came[-7:] == [*range(3, 10)]


async def test_answers_in_any_order() -> None:
    """What is done goes through the last record before the first gap, whatever came in which order."""

    async def script(peer: Peer) -> None:
        await peer.let_in()
        messages = [await peer.published() for _ in range(10)]
        for message in reversed(messages):
            if sequence(message) != 7:
                peer.acknowledge(message)

    async with facing(script, answering({})) as destination:
        assert await destination.deliver(samples(1, 10), "1-10") == Outcome(6)
        assert await destination.deliver(samples(7, 4), "7-10") == Outcome(10)


async def test_a_repeat_is_a_new_publish() -> None:
    """Over the next connection all that was not acknowledged comes again, once, by us alone, without the DUP flag."""
    again: list[Published] = []

    async def first(peer: Peer) -> None:
        await peer.let_in()
        for _ in range(5):
            await peer.published()

    async def second(peer: Peer) -> None:
        connect = await peer.let_in()
        assert connect[7] & 2, "the session does not begin clean (3.1.2.4)"
        while True:
            again.append(await peer.published())
            peer.acknowledge(again[-1])

    async with facing(first, second) as destination:
        with pytest.raises(Unreachable, match="closed the connection"):
            await destination.deliver(samples(1, 5), "1-5")
        await asyncio.sleep(0.1)
        assert again == [], "something was sent that nobody asked for"
        assert await destination.deliver(samples(1, 5), "1-5") == Outcome(5)
    assert [sequence(message) for message in again] == [1, 2, 3, 4, 5]
    assert {(message.qos, message.dup) for message in again} == {(1, False)}


@pytest.mark.parametrize(("most", "said"), [(20, b"\x21" + struct.pack("!H", 20)), (50, b"")])
async def test_no_more_is_on_its_way_than_was_said(most: int, said: bytes) -> None:
    """The broker's Receive Maximum (3.2.2.3.3) and our own setting are kept; the smaller one counts."""
    most_seen = 0

    async def script(peer: Peer) -> None:
        nonlocal most_seen
        await peer.let_in(properties=said)
        out: list[Published] = []
        while True:
            try:
                out.append(await asyncio.wait_for(peer.published(), 0.1))
            except TimeoutError:
                most_seen = max(most_seen, len(out))
                for message in out:
                    peer.acknowledge(message)
                out.clear()

    async with facing(script, max_in_flight=50) as destination:
        assert await destination.deliver(samples(1, 130), "1-130") == Outcome(130)
    assert most_seen == most


async def test_what_is_too_large_for_the_broker_is_not_sent() -> None:
    """A record beyond the broker's Maximum Packet Size (3.2.2.3.6) is refused here; the limit is met to the byte."""
    batch = [{**record, "text": "x" * 500 if record["sequence"] == 2 else ""} for record in samples(1, 3)]
    sizes: list[int] = []

    async def measured(peer: Peer) -> None:
        await peer.let_in()
        for _ in batch:
            kind, flags, body = await peer.packet()
            sizes.append(3 + len(body))  # the length itself takes two bytes up to 16,383
            peer.acknowledge(
                Published(struct.unpack_from("!H", body, 2 + body[1])[0], "", b"", 1, bool(kind * flags))
            )

    async with facing(measured) as destination:
        assert await destination.deliver(batch, "1-3") == Outcome(3)
    for limit, refused in ((sizes[1], ()), (sizes[1] - 1, (Refusal(f"{EPOCH}-2", "0x95 packet too large"),))):
        came: list[int] = []

        async def script(peer: Peer, limit: int = limit, came: list[int] = came) -> None:
            await peer.let_in(properties=b"\x27" + struct.pack("!I", limit))
            while True:
                message = await peer.published()
                came.append(sequence(message))
                peer.acknowledge(message)

        async with facing(script) as destination:
            assert await destination.deliver(batch, "1-3") == Outcome(3, refused)
        assert came == ([1, 3] if refused else [1, 2, 3])


async def test_a_record_that_gets_us_thrown_out_is_found() -> None:
    """A broker that answers one record by DISCONNECT (3.14.2.1) does not hold up the rest: that one is set aside."""
    connections = 0

    async def script(peer: Peer) -> None:
        nonlocal connections
        connections += 1
        await peer.let_in()
        while True:
            message = await peer.published()
            if sequence(message) == 4:
                peer.throw_out(0x99, "no such number")
                return
            peer.acknowledge(message)

    refused: list[Refusal] = []
    said: list[str] = []
    async with facing(script) as destination:
        batch = samples(1, 9)
        for _ in range(9):
            try:
                outcome = await destination.deliver(batch, "key")
            except Unreachable as cause:
                said.append(str(cause))
                continue
            refused += outcome.refused
            batch = [record for record in samples(1, 9) if int(str(record["sequence"])) > outcome.through]
            if not batch:
                break
    assert refused == [Refusal(f"{EPOCH}-4", "0x99 payload format invalid")]
    assert batch == []
    assert connections <= 4
    assert all("0x99 payload format invalid (no such number)" in words for words in said)


async def test_thrown_out_says_why() -> None:
    """The reason of a DISCONNECT is what the person is shown."""

    async def script(peer: Peer) -> None:
        await peer.let_in()
        for _ in range(
            3
        ):  # what is unread when a connection is closed resets it, and may take the reason along
            await peer.published()
        peer.throw_out(0x8E)

    async with facing(script) as destination:
        with pytest.raises(
            Unreachable, match="0x8E session taken over; another connection uses the same client id"
        ):
            await destination.deliver(samples(1, 3), "1-3")


FORGOTTEN = {
    "a PUBACK cut short": b"\x40\x03\x00",
    "a PUBACK of one byte": b"\x40\x01\x00",
    "a reason that there is none": b"\x40\x04\x00\x01\xc0\x00",
    "properties cut short": b"\x40\x04\x00\x01\x00\x02",
    "no packet that there is": b"\xf0\x01\xff",
    "a PUBLISH of nothing": b"\x30\x00",
}


@pytest.mark.parametrize("after", FORGOTTEN)
async def test_who_forgets_mqtt_is_unreachable(after: str) -> None:
    """Nonsense in the middle of a batch ends the connection, not the delivery."""

    async def script(peer: Peer) -> None:
        await peer.let_in()
        await peer.published()
        peer.writer.write(FORGOTTEN[after])

    async with facing(script, answering({}), ack_timeout_s=2) as destination:
        with pytest.raises(Unreachable):
            await destination.deliver(samples(1, 3), "1-3")
        assert await destination.deliver(samples(1, 3), "1-3") == Outcome(3)


async def test_an_answer_to_nothing_is_nothing() -> None:
    """A PUBACK for what was never sent, or the same one twice, counts for no other record."""

    async def script(peer: Peer) -> None:
        await peer.let_in()
        first = await peer.published()
        peer.acknowledge(Published(999, "", b"", 1, dup=False))
        peer.acknowledge(first)
        peer.acknowledge(first)
        await peer.packet()

    async with facing(script, max_in_flight=1, ack_timeout_s=0.5) as destination:
        assert await destination.deliver(samples(1, 2), "1-2") == Outcome(1)
