"""The destination postgres, held against the kit: a real server that is stopped, frozen, or behind a bad network."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import pytest

from gaugepost.contract.kit.destinations import (
    CHECKS,
    Check,
    FarSide,
    an_outage_is_unreachable_and_passes,
    it_opens_after_an_outage,
)
from tests.bench_tools.proxy import Proxy
from tests.contract.postgres_bench import Store, server as server, store as store


@contextmanager
def _refused(store: Store, proxy: Proxy) -> Iterator[None]:
    with proxy.refusing():
        yield


@contextmanager
def _vanished(store: Store, proxy: Proxy) -> Iterator[None]:
    with proxy.vanished():
        yield


CUTS: dict[str, Callable[[Store, Proxy], AbstractContextManager[None]]] = {
    "refused": _refused,
    "stopped": lambda store, _: store.server.away(),
    "frozen": lambda store, _: store.server.frozen(),
    "vanished": _vanished,
}
OUTAGES = (an_outage_is_unreachable_and_passes, it_opens_after_an_outage)


@pytest.mark.asyncio
@pytest.mark.parametrize("check", CHECKS)
async def test_it_keeps_every_promise(check: Check, store: Store) -> None:
    """Order, completeness, no doubles, outcome and outages."""
    await _hold(check, "refused", store)


@pytest.mark.attack
@pytest.mark.asyncio
@pytest.mark.parametrize("cut", list(CUTS)[1:])
@pytest.mark.parametrize("check", OUTAGES)
async def test_it_keeps_them_whatever_an_outage_looks_like(check: Check, cut: str, store: Store) -> None:
    """A server that is stopped as by a power cut, frozen, or gone without a word is unreachable, within bounds."""
    await _hold(check, cut, store)


async def _hold(check: Check, cut: str, store: Store) -> None:
    with Proxy(store.server.port) as proxy:
        far = FarSide(
            make=lambda: store.make(port=proxy.port, connect_timeout_s=1, statement_timeout_s=1),
            held=store.ids,
            cut_off=lambda: CUTS[cut](store, proxy),
        )
        await check(far)
