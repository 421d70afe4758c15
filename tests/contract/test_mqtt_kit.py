"""The destination mqtt, held against the kit with a real broker that is killed or frozen, in both versions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest

from gaugepost.contract.kit.destinations import CHECKS, Check, FarSide
from tests.bench_tools.broker import Broker, Subscriber
from tests.contract.mqtt_bench import VERSIONS, ids, make


class Taken:
    """What the broker took, by subscribers of its own: a new one after each restart."""

    def __init__(self, broker: Broker) -> None:
        self.broker = broker
        self.before: list[str] = []
        self.subscriber = Subscriber(broker, "#")

    def ids(self) -> list[str]:
        return self.before + ids(self.subscriber.settled())

    @contextmanager
    def killed(self) -> Iterator[None]:
        self.before = self.ids()
        self.subscriber.close()
        with self.broker.away():
            yield
        self.subscriber = Subscriber(self.broker, "#")

    def frozen(self) -> AbstractContextManager[None]:
        return self.broker.frozen()


CUTS: dict[str, Callable[[Taken], AbstractContextManager[None]]] = {
    "killed": Taken.killed,
    "frozen": Taken.frozen,
}


@pytest.mark.asyncio
@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("cut", CUTS)
@pytest.mark.parametrize("version", VERSIONS)
async def test_it_keeps_every_promise(check: Check, cut: str, version: str, tmp_path: Path) -> None:
    """Order, completeness, outcome and outages, as far as a broker that can't tell repeats lets one see."""
    with Broker(tmp_path) as broker:
        taken = Taken(broker)
        try:
            far = FarSide(
                make=lambda: make(broker.port, version=version, ack_timeout_s=0.5, connect_timeout_s=0.5),
                held=taken.ids,
                cut_off=lambda: CUTS[cut](taken),
                tells_repeats=False,
            )
            await check(far)
        finally:
            taken.subscriber.close()
