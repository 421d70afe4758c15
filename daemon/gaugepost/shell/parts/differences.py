"""What is otherwise in a station file than in the one that a station runs with, in words. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from gaugepost.edge.stationfile import Station

FIXED = {
    "name": "station.name",
    "zone": "station.time_zone",
    "data": "station.data",
    "disk_floor": "station.disk_floor",
    "disk_warning_ms": "station.disk_warning",
    "backup": "backup",
    "checkpoints": "checkpoints",
    "host": "service.host",
    "port": "service.port",
    "certificate": "service.certificate_file",
    "key": "service.key_file",
    "names": "service.names",
    "tokens": "service.tokens",
}
"""What can't be changed while a station runs, by its name in `Station`: its key in the file."""

TAKEN = frozenset({"path", "set_up", "links", "destinations", "findings"})
"""What can; a test holds that each field of `Station` stands in one of the two."""

_TABLES = ("gauges", "masters", "characteristics", "thermometers", "scanners", "triggers")
_ALONE = {
    "declared": "declared temperatures",
    "level": "the level of confidence",
    "lot_checks": "lot checks",
    "lot_checks_asked": "lot checks",
}


def fixed(old: Station, new: Station) -> list[str]:
    """Return the keys of what is otherwise and can't be taken while the station runs."""
    return [key for field, key in FIXED.items() if getattr(old, field) != getattr(new, field)]


def differences(old: Station, new: Station) -> tuple[str, ...]:
    """Return what is otherwise, a part of the file each: "characteristics A and B changed, C added"."""
    said = [*_tables(old.links, new.links, "links")]
    for table in _TABLES:
        said += _tables(getattr(old.set_up, table), getattr(new.set_up, table), table)
    said += dict.fromkeys(
        f"{words} changed"
        for field, words in _ALONE.items()
        if getattr(old.set_up, field) != getattr(new.set_up, field)
    )
    said += _tables(old.destinations, new.destinations, "destinations")
    return tuple(said)


def _tables(old: Mapping[str, object], new: Mapping[str, object], what: str) -> Iterator[str]:
    sorts = {
        "changed": [name for name in new if name in old and new[name] != old[name]],
        "added": [name for name in new if name not in old],
        "removed": [name for name in old if name not in new],
    }
    said = ", ".join(f"{_listed(names)} {sort}" for sort, names in sorts.items() if names)
    if said:
        yield f"{what} {said}"


def _listed(names: list[str]) -> str:
    return " and ".join(part for part in (", ".join(names[:-1]), names[-1]) if part)
