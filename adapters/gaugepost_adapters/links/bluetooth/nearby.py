"""What is heard by radio now, for whoever writes a station file. Nothing is connected."""

from __future__ import annotations

import asyncio

from gaugepost.contract.present import Present
from gaugepost_adapters.links.bluetooth.faults import FAULTS, lost
from gaugepost_adapters.links.bluetooth.radio import Radio
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
    return [_present(*each) for each in sorted(found, key=lambda each: each[0])]


def _present(address: str, name: str | None, services: list[str], connected: bool) -> Present:
    notes = ["connected now: by the daemon, or by another program"] if connected else []
    offered = [_SERVICES.get(service, service) for service in services]
    if offered:
        notes.append(f"offers {', '.join(offered)}")
    return Present(name or "", address, {"address": address}, notes=tuple(notes))
