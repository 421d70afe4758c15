"""What a station is made of: links and destinations, asked of the service where it runs, tried where it does not."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import Any

from gaugepost.commands.doctor.findings import Found, fault, warning, well
from gaugepost.commands.talk import Service
from gaugepost.contract import LinkLost, Reaches, StationFacts
from gaugepost.core.errors import GaugepostError, Unreachable
from gaugepost.edge.clock import Clock
from gaugepost.edge.stationfile import DestinationPlan, LinkPlan, Station

OPEN_S = 15.0
"""How long a link may take to connect: a gauge without a wire has to be found first."""
REACH_S = 30.0
"""How long a far side may take to let somebody in."""


def of_service(service: Service) -> Iterator[Found] | None:
    """Return what the running service says of itself, or None where it does not run."""
    try:
        health = service.get("/v1/health")
    except Unreachable:
        return None
    except GaugepostError as error:
        # One that wants a token, or another program's certificate.
        return iter([fault("service", error.finding, error.hint)])
    return _said(service, health)


def _said(service: Service, health: dict[str, object]) -> Iterator[Found]:
    if health["recording"]:
        yield well("service", f"runs at {service.at} and records, {health['head']} records so far")
    else:
        yield fault("service", f"not recording: {health['problem']}", "free the journal's disk")
    if health.get("backup"):
        yield _backup(health["backup"])
    for link in service.get("/v1/links")["links"]:
        about = f"link {link['link']}"
        if link["state"] == "connected" and not link["problem"]:
            yield well(about, f"connected: {link['description']}")
        else:
            finding, _, hint = str(link["problem"] or "is being connected").partition("; ")
            yield fault(
                about, f"{link['state']}: {finding}", hint or "look whether the gauge is on and plugged in"
            )
        if link["bad_frames"] and link["bad_frames"] > link["frames"]:
            yield warning(about, f"{link['bad_frames']} bad frames and {link['frames']} good ones",
                          "compare baud, parity and pattern with the gauge; `gaugepost teach` finds them")  # fmt: skip
    for gauge in service.get("/v1/gauges")["gauges"]:
        if gauge["connected"] and not gauge["judged"]:
            yield warning(f"gauge {gauge['gauge']}", "; ".join(gauge["reasons"]),
                          f"gaugepost bench master {gauge['gauge']} MASTER, then check it")  # fmt: skip
    for one in service.get("/v1/destinations")["destinations"]:
        yield from _destination(one)


def _backup(one: Any) -> Found:
    if one["problem"]:
        finding, _, remedy = str(one["problem"]).partition("; ")
        return fault("backup", f"none can be made: {finding}", remedy or "look at the folder and its disk")
    if one["made_at"] is None:
        return warning(
            "backup", f"none is in {one['folder']} yet", "wait for the first one, which is made at once"
        )
    return well(
        "backup", f"{one['file']} in {one['folder']}, {one['kept']} kept, the next one at {one['due_at']}"
    )


def _destination(one: dict[str, object]) -> Iterator[Found]:
    about, name = f"destination {one['destination']}", one["destination"]
    if one["state"] in ("idle", "delivering"):
        yield well(about, f"{one['state']}, {one['lag']} records behind")
    elif one["state"] != "removed":
        finding, _, hint = str(one["last_error"]).partition("; ")
        yield fault(about, f"{one['state']}: {finding}", hint or f"gaugepost deliveries show {name}")
    if one["refused"]:
        yield warning(about, f"refused {one['refused']} records", f"gaugepost deliveries show {name}")


def links(station: Station) -> Iterator[Found]:
    """Open each link as the service would, and let go of it again."""
    yield from asyncio.run(_all(station))


async def _all(station: Station) -> list[Found]:
    clock = Clock()
    return [await _opened(plan, clock) for plan in station.links.values()]


async def _opened(plan: LinkPlan, clock: Clock) -> Found:
    link, about = plan.link(plan.settings, clock), f"link {plan.name}"
    try:
        async with asyncio.timeout(OPEN_S):
            await link.open()
        return well(about, f"can be opened: {link.describe()}")
    except LinkLost as lost:
        return fault(about, lost.finding, lost.hint or "look whether the gauge is on and plugged in")
    except TimeoutError:
        return fault(about, f"not connected within {OPEN_S:g} s", "look whether the gauge is on and near")
    finally:
        await link.close()


def destinations(station: Station) -> Iterator[Found]:
    """Knock at each far side that lets somebody in, as a broker or a database does; nothing is handed over."""
    facts = StationFacts(station.name, station.zone, station.data)
    for plan in station.destinations.values():
        yield from asyncio.run(_reached(plan, facts))


async def _reached(plan: DestinationPlan, facts: StationFacts) -> list[Found]:
    about = f"destination {plan.name}"
    if plan.destination is None or plan.settings is None:
        return [fault(about, str(plan.problem), "install the package that it comes with, or take it out")]
    destination = plan.destination(plan.settings, facts)
    if not isinstance(destination, Reaches):
        return []
    try:
        async with asyncio.timeout(REACH_S):
            return [well(about, f"{await destination.reach()} lets it in")]
    except Unreachable as away:
        return [fault(about, away.finding, away.hint or "look whether it runs, and at the network")]
    except TimeoutError:
        return [fault(about, f"no answer within {REACH_S:g} s", "look whether it runs, and at the network")]
