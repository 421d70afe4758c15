"""Destinations as documents: those at work, those whose plug-in is broken, and those that were removed."""

from __future__ import annotations

from gaugepost.core.publication import record_id, rfc3339
from gaugepost.edge.asides import Asides, Command, SetAside
from gaugepost.edge.cursors import Batch
from gaugepost.service.facade import Running
from gaugepost.service.views import Document
from gaugepost.shell.command_intake import CommandStatus
from gaugepost.shell.delivery_status import Status

MOST_NAMED = 100
"""Records of one command that are named; a command may be about thousands."""


def at_work(running: Running) -> list[Document]:
    """Return every destination that the station file names, in brief. Looks at no disk."""
    commands = {intake.destination: _commands(intake.status()) for intake in running.command_intakes}
    listed = [
        _status(delivery.status()) | {"takes_commands": commands.get(delivery.name)}
        for delivery in running.deliveries
    ]
    names = {one["destination"] for one in listed}
    return listed + [
        _absent(plan.name, plan.kind, "disabled", plan.problem, running.started.utc_ms)
        for plan in running.station.destinations.values()
        if plan.name not in names
    ]


def every(running: Running) -> list[Document]:
    """Return every destination that there is or was. Reads the disk, and raises `Unreachable` as `Cursors` does."""
    history, epoch = running.cursors.history(), running.reader.epoch
    listed = at_work(running)
    named = {str(one["destination"]) for one in listed}
    listed += [_absent(name, None, "removed", None, None) for name in sorted(history) if name not in named]
    asides = Asides(running.cursors)
    for one in listed:
        if one["state"] in ("disabled", "removed"):
            name = str(one["destination"])
            counts, through = asides.counts(name, epoch), history.get(name, {}).get(epoch)
            one |= {
                "through": through,
                "refused": counts.refused,
                "skipped": counts.skipped,
                "again": counts.again,
            }
            if through is not None and one["state"] == "disabled":
                one["lag"] = max(0, running.growth.head - through)
    return listed


def in_full(running: Running, name: str, limit: int) -> Document | None:
    """Return one destination with what it set aside, what was commanded, and where it stands in each epoch.

    At most `limit` records and commands, the latest. Reads the disk as `every` does; None where there is none.
    """
    found = next((one for one in every(running) if one["destination"] == name), None)
    if found is None:
        return None
    asides = Asides(running.cursors)
    pending = next((d.status().pending for d in running.deliveries if d.name == name), None)
    return found | {
        "under_way": _batch(running, pending) if pending else None,
        "set_aside": [_aside(one) for one in asides.listed(name, limit=limit)],
        "skipped_records": [_aside(one) for one in asides.listed(name, skipped=True, limit=limit)],
        "commands": [_command(one) for one in asides.commands(name, limit)],
        "history": [
            _in_epoch(asides, name, epoch, through, epoch == running.reader.epoch)
            for epoch, through in running.cursors.history().get(name, {}).items()
        ],
    }


def _status(status: Status) -> Document:
    return {
        "destination": status.name,
        "kind": status.kind,
        "state": status.state,
        "through": status.through,
        "lag": status.lag,
        "last_error": status.last_error or None,
        "since": rfc3339(status.since_ms),
        "refused": status.counts.refused,
        "skipped": status.counts.skipped,
        "again": status.counts.again,
    }


def _absent(name: str, kind: str | None, state: str, problem: str | None, since_ms: int | None) -> Document:
    return {
        "destination": name,
        "kind": kind,
        "state": state,
        "through": None,
        "lag": None,
        "last_error": problem,
        "since": rfc3339(since_ms) if since_ms is not None else None,
        "refused": None,
        "skipped": None,
        "again": None,
        "takes_commands": None,
    }


def _commands(status: CommandStatus) -> Document:
    return {
        "state": status.state,
        "since": rfc3339(status.since_ms),
        "last_error": status.last_error or None,
        "accepted": status.accepted,
        "refused": status.refused,
    }


def _batch(running: Running, batch: Batch) -> Document:
    return {"key": batch.key, "first": running.id_of(batch.first), "last": running.id_of(batch.last)}


def _aside(one: SetAside) -> Document:
    told: Document = {"id": one.id, "answer": one.answer or None}
    if one.skipped is None:
        return told | {"answered_at": rfc3339(one.at_ms), "again": one.again}
    by = one.skipped
    return told | {"skipped_at": rfc3339(by.at_ms), "operator": by.operator, "reason": by.reason}


def _command(command: Command) -> Document:
    named = command.sequences[:MOST_NAMED]
    return {
        "command": "skip" if command.what == "skip" else "retry",
        "at": rfc3339(command.by.at_ms),
        "operator": command.by.operator,
        "reason": command.by.reason,
        "count": len(command.sequences),
        "records": [record_id(command.epoch, sequence) for sequence in named],
    }


def _in_epoch(asides: Asides, name: str, epoch: str, through: int, current: bool) -> Document:
    counts = asides.counts(name, epoch)
    return {
        "epoch": epoch,
        "current": current,
        "through": through,
        "refused": counts.refused,
        "skipped": counts.skipped,
    }
