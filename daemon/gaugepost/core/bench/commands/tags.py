"""What is in hand: operator, lot, piece, place and characteristic, said by a person or by what a scanner read."""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.core.bench.events import Decision, Reply, SetTags
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.schedule import due_by_lot
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import TAGS

MAX_TAG = 64


def set_tags(state: State, event: SetTags, now: Moment) -> Decision:
    """Take what is in hand from now on, or refuse it with what to say instead."""
    changes = _whole(state, event.changes)
    record = tagged(state, changes, now)
    waiting = [f"{gauge}: {why}" for due in due_by_lot(state, record.lot) for gauge, why in due.items()]
    said = ", ".join(f"{key} {value}" if value else f"no {key}" for key, value in changes.items())
    return Decision((record,), Reply(accepted=True, text="; ".join((said or "nothing changed", *waiting))))


def tagged(state: State, said: Mapping[str, str | None], now: Moment) -> Record:
    """Return the record of what is in hand after `said`; None clears. Raises `CommandRefused`."""
    changes = _whole(state, said)
    for key, value in changes.items():
        if key not in TAGS:
            raise CommandRefused(f"{key!r} is nothing that can be set", hint=f"set {', '.join(TAGS)}")
        if value is not None and (len(value) > MAX_TAG or not value.strip() or not value.isprintable()):
            raise CommandRefused(
                f"{key} {value!r} can't be used", hint=f"write 1 to {MAX_TAG} printable characters"
            )
    chosen = changes.get("characteristic")
    if chosen is not None and chosen not in state.set_up.characteristics:
        known = ", ".join(sorted(state.set_up.characteristics)) or "none"
        raise CommandRefused(
            f"no characteristic is named {chosen!r}", hint=f"the characteristics here: {known}"
        )
    tags = {key: changes.get(key, getattr(state, key)) for key in ("operator", "lot", "piece", "position")}
    cleared = "cleared" if "characteristic" in changes and chosen is None else None
    return plain(now, Kind.TAGS, characteristic=chosen, code=cleared, **tags)


def _whole(state: State, said: Mapping[str, str | None]) -> dict[str, str | None]:
    """Return what was said, and what it leaves nothing of: a piece is named within its lot."""
    changes = dict(said)
    if changes.get("lot", state.lot) != state.lot:
        changes.setdefault("piece", None)
    return changes
