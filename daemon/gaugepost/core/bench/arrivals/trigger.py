"""A foot switch or a line that was switched: it asks a gauge for its value, or steps the flow."""

from __future__ import annotations

import re
from dataclasses import replace

from gaugepost.core.bench.commands.tags import tagged
from gaugepost.core.bench.events import Arrived, Decision, Finish
from gaugepost.core.bench.measuring import characteristic_of
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.procedures import finish
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Does, TriggerEntry

_COUNTED = re.compile(r"(.*?)([0-9]+)", re.DOTALL | re.ASCII)


def from_trigger(state: State, name: str, event: Arrived, now: Moment) -> Decision:
    """Return what a trigger leads to: its record, what it stepped, and the gauge to be asked.

    A contact bounces: what comes again within the debounce is a suppressed double.
    """
    entry = state.set_up.triggers[name]
    fields = {"device": name, "link": event.link, "raw": event.decoded.raw, "gauge": entry.gauge}
    last_ms = state.triggered_ms.get(name)
    if last_ms is not None and now.clock_ms - last_ms < entry.debounce_ms:
        text = f"again {now.clock_ms - last_ms} ms after the last time: one press, bounced"
        return Decision((plain(now, Kind.SUPPRESSED, text=text, **fields),))
    try:
        # What is stepped is recorded after the press itself.
        text, records, asked = _done(replace(state, sequence=state.sequence + 1), entry, now)
    except CommandRefused as refused:
        return Decision((plain(now, Kind.TRIGGER, code="refused", text=str(refused), **fields),))
    return Decision(
        (plain(now, Kind.TRIGGER, code=entry.does, text=text, **fields), *records), requests=asked
    )


def _done(state: State, entry: TriggerEntry, now: Moment) -> tuple[str, tuple[Record, ...], tuple[str, ...]]:
    """Return what is said of it, the records of what was stepped, and the gauges to be asked."""
    gauge = entry.gauge or ""
    if entry.does is Does.ASK:
        return f"{gauge} is asked for its value", (), (gauge,)
    if entry.does is Does.FINISH:
        decision = finish(state, Finish(gauge), now)
        return decision.reply.text, decision.records, ()
    if entry.does is Does.NEXT_PIECE:
        piece = next_piece(state.piece)
        return f"piece {piece}", (tagged(state, {"piece": piece}, now),), ()
    serving = [each.name for each in state.set_up.characteristics.values() if gauge in each.gauges]
    if not serving:
        raise CommandRefused(
            f"no characteristic is measured with {gauge}", hint="name it in a characteristic's gauges"
        )
    chosen = characteristic_of(state, gauge)
    at = serving.index(chosen.name) + 1 if chosen else 0
    following = serving[at % len(serving)]
    return f"characteristic {following}", (tagged(state, {"characteristic": following}, now),), ()


def next_piece(piece: str | None) -> str:
    """Return the name that follows a piece's: its last number, one up, with the zeros in front kept; "1" after none.

    Raises:
        CommandRefused: the name does not end in a number.
    """
    if piece is None:
        return "1"
    found = _COUNTED.fullmatch(piece)
    if not found:
        raise CommandRefused(
            f"piece {piece!r} does not end in a number to count on from", hint="say the next piece"
        )
    text, number = found.groups()
    return f"{text}{int(number) + 1:0{len(number)}d}"
