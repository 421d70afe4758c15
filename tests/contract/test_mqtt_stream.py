"""Records published as they come: the window, acknowledgements in any order, and what ends a stream."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any, cast

import pytest

from gaugepost.contract import Outcome
from gaugepost.contract.kit.destinations import samples
from gaugepost_adapters.destinations.mqtt.destination import Mqtt
from tests.bench_tools.broker import PATIENCE_S
from tests.bench_tools.scripted_broker import Peer, Published, Script, scripted
from tests.contract.mqtt_bench import make, until
from tests.contract.test_mqtt_answers import answering, facing, sequence

pytestmark = pytest.mark.asyncio


class Got:
    """A broker that keeps what comes, and answers when the test says so."""

    def __init__(self) -> None:
        self.messages: list[Published] = []
        self.peer: Peer | None = None

    async def __call__(self, peer: Peer) -> None:
        self.peer = peer
        await peer.let_in()
        while True:
            self.messages.append(await peer.published())

    def acknowledge(self, *at: int, code: int = 0) -> None:
        assert self.peer is not None
        for each in at:
            self.peer.acknowledge(self.messages[each], code)


@contextlib.asynccontextmanager
async def kept(got: Script, **settings: Any) -> AsyncIterator[Mqtt]:
    async with scripted(got) as port:
        destination = make(port, status_topic="", **settings)
        await destination.open()
        try:
            yield destination
        finally:
            await destination.close()


async def test_held_is_what_comes_before_the_first_without_an_answer() -> None:
    """Acknowledgements may come in any order; `held` never passes a record that has none."""
    got = Got()
    async with kept(got) as destination:
        stream = await destination.stream(lambda: None)
        stream.send(samples(1, 4))
        await until(lambda: len(got.messages) == 4)
        got.acknowledge(1, 3)
        got.acknowledge(0)
        await until(lambda: stream.held == 2)
        got.acknowledge(2)
        await stream.settle()
        assert (stream.held, stream.over) == (4, False)
    assert [sequence(message) for message in got.messages] == [1, 2, 3, 4]


async def test_no_more_are_out_than_the_window_allows() -> None:
    """Where max_in_flight are out the rest waits for an answer, in order, and then goes out."""
    got = Got()
    async with kept(got, max_in_flight=3) as destination:
        stream = await destination.stream(lambda: None)
        for number in range(1, 6):
            stream.send(samples(number, 1))
        await until(lambda: len(got.messages) == 3)
        got.acknowledge(0)
        await until(lambda: len(got.messages) == 4)
        got.acknowledge(1, 2, 3)
        await until(lambda: len(got.messages) == 5)
        got.acknowledge(4)
        await stream.settle()
    assert [sequence(message) for message in got.messages] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("code", [0x87, 0x90])
async def test_a_record_that_is_not_taken_ends_the_stream(code: int) -> None:
    """Nothing more goes out; what comes before it is held, and it is told that the stream is over."""
    told = asyncio.Event()
    async with facing(answering({3: code})) as destination:
        stream = await destination.stream(told.set)
        stream.send(samples(1, 3))
        async with asyncio.timeout(PATIENCE_S):
            await told.wait()
        assert (stream.over, stream.held) == (True, 2)
        stream.send(samples(4, 1))
        await stream.settle()
        assert stream.held == 2
        if code == 0x90:
            assert (await destination.deliver(samples(3, 2), "3-4")).refused[
                0
            ].answer == "0x90 topic name invalid"


async def test_a_packet_that_the_broker_is_too_small_for_is_not_sent() -> None:
    """A record longer than what the broker takes (MQTT 5.0, 3.2.2.3.6) ends the stream; a batch then refuses it."""
    sent: list[int] = []

    async def small(peer: Peer) -> None:
        await peer.let_in(properties=b"\x27\x00\x00\x00\x40")
        while True:
            sent.append(sequence(await peer.published()))

    told = asyncio.Event()
    async with kept(small) as destination:
        stream = await destination.stream(told.set)
        stream.send(samples(1, 2))
        async with asyncio.timeout(PATIENCE_S):
            await told.wait()
        await stream.settle()
        assert stream.held == 0
        outcome = await destination.deliver(samples(1, 2), "1-2")
        assert [refusal.answer for refusal in outcome.refused] == ["0x95 packet too large"] * 2
    assert not sent


async def test_a_connection_that_breaks_ends_the_stream() -> None:
    """What was not acknowledged is not held; it goes out again by batch, over another connection."""

    async def breaks(peer: Peer) -> None:
        await peer.let_in()
        peer.acknowledge(await peer.published())
        await peer.published()

    told = asyncio.Event()
    async with facing(breaks, answering({})) as destination:
        stream = await destination.stream(told.set)
        stream.send(samples(1, 2))
        async with asyncio.timeout(PATIENCE_S):
            await told.wait()
        await stream.settle()
        assert (stream.over, stream.held) == (True, 1)
        assert await destination.deliver(samples(2, 1), "2-2") == Outcome(2)


async def test_a_broker_that_answers_nothing_is_given_up() -> None:
    """Without an acknowledgement the connection ends after ack_timeout_s, however much was sent meanwhile."""
    got = Got()
    async with kept(got, ack_timeout_s=0.5) as destination:
        stream = await destination.stream(lambda: None)
        stream.send(samples(1, 1))
        await until(lambda: len(got.messages) == 1)
        stream.send(samples(2, 1))
        async with asyncio.timeout(PATIENCE_S):
            await stream.settle()
        assert (stream.over, stream.held) == (True, 0)


async def test_many_records_keep_their_order() -> None:
    """Ten thousand records, sent in pieces of every size, come once each and in order, whichever thread writes them."""
    found: list[int] = []

    async def all_taken(peer: Peer) -> None:
        await peer.let_in()
        while True:
            message = await peer.published()
            found.append(sequence(message))
            peer.acknowledge(message)

    room = asyncio.Event()
    async with kept(all_taken) as destination:
        stream, first, size = await destination.stream(room.set), 1, 1
        while first <= 10_000:
            room.clear()
            if not (fits := min(stream.room, size, 10_001 - first)):
                async with asyncio.timeout(PATIENCE_S):
                    await room.wait()
                continue
            stream.send(samples(first, fits))
            first, size = first + fits, size % 17 + 1
            await asyncio.sleep(0)
        await stream.settle()
        assert stream.held == 10_000
    assert found == list(range(1, 10_001))


async def test_a_stream_may_be_taken_away_while_the_thread_waits_to_write() -> None:
    """Where the thread was about to look into the stream, the next batch goes out over the same connection."""
    async with facing(answering({})) as destination:
        await destination.stream(lambda: None)
        connection = destination._connection
        assert connection is not None and connection._network._client is not None
        network, client = connection._network, connection._network._client
        writing = client.writing

        class Late(contextlib.AbstractContextManager[None]):
            """A lock that the thread gets only after the event loop has taken the stream away."""

            acquire, release = writing.acquire, writing.release

            def __enter__(self) -> None:
                network.stream = None
                writing.acquire()

            def __exit__(self, *_: object) -> None:
                writing.release()

        client.writing = cast(Any, Late())
        network.rouse()
        await until(lambda: network.stream is None)
        assert await destination.deliver(samples(1, 2), "1-2") == Outcome(2)
        assert destination._connection is connection
