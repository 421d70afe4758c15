"""Destinations in lines for people. Answers are strangers' text: no escape in them reaches the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from gaugepost.commands.talk import Document
from gaugepost.commands.view.style import Style, clean

_STYLE = Style()
_HEAD = ("destination", "kind", "state", "since", "through", "behind", "refused", "skipped")
_TROUBLED = ("unreachable", "broken", "disabled")


def table(destinations: Sequence[Document]) -> Iterator[str]:
    """Yield the lines for destinations in brief, with what is wrong beneath those that are in trouble."""
    if not destinations:
        yield "there are no destinations"
        return
    rows = [_HEAD, *(_row(one) for one in destinations)]
    widths = [max(len(row[at]) for row in rows) for at in range(len(_HEAD))]
    for row, one in zip(rows, [None, *destinations], strict=True):
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        if one and one["state"] in _TROUBLED and one["last_error"]:
            yield f"    {_safe(one['last_error'])}"
        if one and one["takes_commands"] and (trouble := _no_commands(one["takes_commands"])):
            yield f"    {trouble}"
        if one and one["again"]:
            yield f"    {_count(one['again'], 'record')} to be handed over again"


def in_full(destination: Document) -> Iterator[str]:
    """Yield the lines for one destination with all that is known about it."""
    yield from table([destination])
    batch = destination["under_way"]
    if batch:
        yield f"under way: {batch['first']} to {batch['last']}, batch {batch['key']}"
    yield from _part("refused, newest first", (_refused(one) for one in destination["set_aside"]))
    yield from _part("skipped, newest first", (_skipped(one) for one in destination["skipped_records"]))
    yield from _part("commands, newest first", (_command(one) for one in destination["commands"]))
    yield from _part("journals", (_epoch(one) for one in destination["history"]))


def _part(title: str, lines: Iterable[str]) -> Iterator[str]:
    listed = [f"  {line}" for line in lines]
    if listed:
        yield from ["", title, *listed]


def _row(one: Document) -> tuple[str, ...]:
    keys = ("kind", "state", "since", "through", "lag", "refused", "skipped")
    return (one["destination"], *("-" if one[key] is None else str(one[key]) for key in keys))


def _refused(one: Document) -> str:
    again = ", to be handed over again" if one["again"] else ""
    return f"{one['id']}  {one['answered_at']}{again}: {_safe(one['answer'] or '')}"


def _skipped(one: Document) -> str:
    answer = f"; it had answered: {_safe(one['answer'])}" if one["answer"] else ""
    return f"{one['id']}  {one['skipped_at']} by {_safe(one['operator'] or '-')}: {_safe(one['reason'] or '-')}{answer}"


def _command(one: Document) -> str:
    reason = f": {_safe(one['reason'])}" if one["reason"] else ""
    records = f" {_count(one['count'], 'record')}" if one["count"] else ""
    return f"{one['at']}  {one['command']}{records} by {_safe(one['operator'] or '-')}{reason}"


def _epoch(one: Document) -> str:
    here = " (the one here)" if one["current"] else ""
    return (
        f"{one['epoch']}{here}: through {one['through']}, {one['refused']} refused, {one['skipped']} skipped"
    )


def _no_commands(commands: Document) -> str:
    """Say why no commands come; nothing where they do."""
    if commands["state"] == "listening":
        return ""
    reason = f": {_safe(commands['last_error'])}" if commands["last_error"] else ""
    return f"takes no commands now, {commands['state']}{reason}"


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _safe(text: str) -> str:
    return clean(text, _STYLE)
