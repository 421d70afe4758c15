"""What is heard by radio now, for whoever writes a station file. Nothing is connected."""

from __future__ import annotations

import asyncio

from gaugepost.contract.present import Present
from gaugepost_adapters.links.bluetooth.faults import FAULTS, lost
from gaugepost_adapters.links.bluetooth.radio import Heard, Radio
from gaugepost_adapters.links.bluetooth.settings import uuid_128

LISTEN_S = 5.0
"""How long is listened; a gauge that advertises more seldom needs another go."""

_SERVICES = {uuid_128("180F"): "battery level", uuid_128("181A"): "environmental sensing"}


def nearby() -> list[Present]:
    """Return everything that is heard or connected, by its address.

    Raises:
        LinkLost: Bluetooth can't be used here, with what to do.
    """
    return asyncio.run(_nearby())


async def _nearby() -> list[Present]:
    user = object()
    radio = await Radio.join(None, user, lambda _: None)
    try:
        found = await radio.listen(LISTEN_S)
    except FAULTS as error:
        raise lost(error, "listening") from error
    finally:
        await radio.leave(user)
    return [_present(each) for each in sorted(found, key=lambda each: each.address)]


def _present(heard: Heard) -> Present:
    notes = ["connected now: by the daemon, or by another program"] if heard.connected else []
    if heard.signal_dbm is not None:
        notes.append(f"signal {heard.signal_dbm} dBm")
    offered = [_SERVICES.get(service, service) for service in heard.services]
    if offered:
        notes.append(f"offers {', '.join(offered)}")
    settings = {"address": heard.address}
    if _changes(heard):
        if heard.name and heard.services:
            settings = {"name": heard.name, "service": heard.services[0]}
        else:
            notes.append("its address changes, and it tells no name and service to know it by")
    return Present(heard.name or "", heard.address, settings, notes=tuple(notes))


def _changes(heard: Heard) -> bool:
    """Whether its address is private: random, and not a static one, which begins with two ones.

    Core, Vol 6, Part B, 1.3; from memory.
    """
    return heard.random and int(heard.address[:2], 16) >> 6 != 0b11
