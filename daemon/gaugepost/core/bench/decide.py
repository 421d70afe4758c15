"""What an event leads to. Pure: the same state, event and time always give the same records and reply."""

from __future__ import annotations

import decimal
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.afterwards import amend, another, void
from gaugepost.core.bench.apply import apply
from gaugepost.core.bench.events import REPORTS, Decision, Reply
from gaugepost.core.bench.measuring import measure
from gaugepost.core.bench.procedures import abandon, begin_check, begin_mastering, finish, take
from gaugepost.core.bench.state import State, elapsed_ms
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import BadFrame, Code, Condition, Indication, Moment, Temperature, Trigger
from gaugepost.core.quantity import CONTEXT
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import to_document

CLOCK_JUMP_MS = 2000
"""The wall clock may drift against the other one; from this much between two records on, it was moved."""

TEMPERATURE_STEP_K = Decimal("0.02")
"""A temperature is journaled when it moved this far: 50 mm of steel grow 0.012 µm in it."""

PLAUSIBLE_C = (Decimal(-10), Decimal(60))
"""A bench outside this, in °C, is a broken thermometer."""

TAGS = ("operator", "lot", "piece", "position", "characteristic")
MAX_TAG = 64


def decide(state: State, event: ev.Event, now: Moment) -> Decision:
    """Return the records that `event` at `now` leads to, and the reply; never raises for what people or gauges do."""
    with decimal.localcontext(CONTEXT):
        try:
            decision = _DECIDERS[type(event)](state, event, now)
        except CommandRefused as refused:
            return Decision((), Reply(accepted=False, text=refused.finding, hint=refused.hint))
        if decision.records and not isinstance(event, ev.Started) and (jump := _clock_jump(state, now)):
            return _after_jump(state, event, now, jump)
        return decision


def _after_jump(state: State, event: ev.Event, now: Moment, jump: Record) -> Decision:
    decision = _DECIDERS[type(event)](apply(state, jump), event, now)
    return Decision((jump, *decision.records), decision.reply)


def _clock_jump(state: State, now: Moment) -> Record | None:
    if state.now is None or state.now.boot != now.boot:
        return None
    jump_ms = (now.utc_ms - now.clock_ms) - (state.now.utc_ms - state.now.clock_ms)
    if abs(jump_ms) < CLOCK_JUMP_MS:
        return None
    text = f"the wall clock was moved by {Decimal(jump_ms).scaleb(-3):+} s"
    return _record(state, now, Kind.CONDITION, code="clock-jump", text=text)


def _record(state: State, now: Moment, kind: Kind, **fields: Any) -> Record:
    return Record(kind=kind, measured_at=now.utc_ms, clock_ms=now.clock_ms, **fields)


def _started(state: State, event: ev.Started, now: Moment) -> Decision:
    went_back = state.now is not None and state.now.boot != now.boot and now.utc_ms < state.now.utc_ms
    text = (
        "the wall clock is behind the journal's last record: set it, then check the gauges"
        if went_back
        else None
    )
    ends = True if went_back else None
    record = _record(
        state, now, Kind.START, boot=now.boot, program=event.program, text=text, ends_mastering=ends
    )
    return Decision((record,))


def _stopped(state: State, event: ev.Stopped, now: Moment) -> Decision:
    return Decision((_record(state, now, Kind.STOP),))


def _set_up(state: State, event: ev.SetUpLoaded, now: Moment) -> Decision:
    if state.set_up_sequence is not None and to_document(state.set_up) == event.document:
        return Decision()
    return Decision((_record(state, now, Kind.SET_UP, document=event.document),))


def _link_up(state: State, event: ev.LinkUp, now: Moment) -> Decision:
    return Decision(
        (_record(state, now, Kind.LINK, link=event.link, code="connected", text=event.description),)
    )


def _link_down(state: State, event: ev.LinkDown, now: Moment) -> Decision:
    if event.link not in state.links:
        return Decision()
    record = _record(
        state, now, Kind.LINK, link=event.link, code="lost", text=event.reason, ends_mastering=True
    )
    return Decision((record,))


def _arrived(state: State, event: ev.Arrived, now: Moment) -> Decision:
    decoded = event.decoded
    name = state.routes.get((event.link, decoded.channel), "")
    if isinstance(decoded, BadFrame):
        return Decision((_bad_frame(state, event, now, decoded.reason),))
    if name in state.set_up.gauges and isinstance(decoded, Indication | Condition):
        return Decision(_from_gauge(state, name, event.link, decoded, now))
    if name in state.set_up.thermometers and isinstance(decoded, Temperature | Condition):
        return Decision(_from_thermometer(state, name, event, decoded, now))
    channel = f"channel {decoded.channel} of {event.link}" if decoded.channel else event.link
    what = _WHAT[type(decoded)]
    where = (
        f"on {channel}, where {name} is" if name else f"on {channel}, where the station file names nothing"
    )
    return Decision((_bad_frame(state, event, now, f"{what} came in {where}"),))


_WHAT: dict[type, str] = {
    Indication: "an indication",
    Temperature: "a temperature",
    Condition: "a condition",
    Code: "a code",
    Trigger: "a trigger",
}


def _bad_frame(state: State, event: ev.Arrived, now: Moment, reason: str) -> Record:
    name = state.routes.get((event.link, event.decoded.channel))
    return _record(
        state,
        now,
        Kind.BAD_FRAME,
        link=event.link,
        gauge=name if name in state.set_up.gauges else None,
        thermometer=name if name in state.set_up.thermometers else None,
        text=reason,
        raw=event.decoded.raw,
        count=1,
    )


def _from_gauge(
    state: State, gauge: str, link: str, decoded: Indication | Condition, now: Moment
) -> tuple[Record, ...]:
    if isinstance(decoded, Condition):
        ends = True if decoded.ends_mastering else None
        condition = _record(
            state,
            now,
            Kind.CONDITION,
            gauge=gauge,
            link=link,
            code=decoded.code,
            text=decoded.meaning,
            raw=decoded.raw,
            ends_mastering=ends,
        )
        return (condition,)
    known = state.gauges[gauge]
    since_ms = now.clock_ms - known.last_clock_ms
    if known.last_raw == decoded.raw and 0 <= since_ms < state.set_up.gauges[gauge].debounce_ms:
        text = f"the same frame {since_ms} ms after the last one: one send, doubled"
        double = _record(state, now, Kind.SUPPRESSED, gauge=gauge, link=link, raw=decoded.raw, text=text)
        return (double,)
    if known.procedure is not None:
        return take(state, gauge, link, decoded, now)
    return measure(state, gauge, link, decoded, now)


def _from_thermometer(
    state: State, name: str, event: ev.Arrived, decoded: Temperature | Condition, now: Moment
) -> tuple[Record, ...]:
    if isinstance(decoded, Condition):
        said = {"code": decoded.code, "text": decoded.meaning, "raw": decoded.raw}
        return (_record(state, now, Kind.CONDITION, thermometer=name, link=event.link, **said),)
    low, high = PLAUSIBLE_C
    if not low <= decoded.celsius <= high:
        return (_bad_frame(state, event, now, f"{decoded.celsius} °C is no temperature of a bench"),)
    entry, last = state.set_up.thermometers[name], state.temperatures.get(name)
    if last is not None and abs(decoded.celsius - last.celsius) < TEMPERATURE_STEP_K:
        age = elapsed_ms(now, last.at)
        if age is not None and age < entry.max_age_ms // 2:
            return ()
    shown = {"temperature_c": decoded.celsius, "body": entry.body, "raw": decoded.raw}
    return (_record(state, now, Kind.TEMPERATURE, thermometer=name, link=event.link, **shown),)


def _more_bad_frames(state: State, event: ev.MoreBadFrames, now: Moment) -> Decision:
    name = state.routes.get((event.link, event.channel))
    return Decision(
        (
            _record(
                state,
                now,
                Kind.BAD_FRAME,
                link=event.link,
                gauge=name if name in state.set_up.gauges else None,
                thermometer=name if name in state.set_up.thermometers else None,
                text="more of them in the same minute, counted without their bytes",
                count=event.count,
            ),
        )
    )


def _set_tags(state: State, event: ev.SetTags, now: Moment) -> Decision:
    changes = dict(event.changes)
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
    if changes.get("lot", state.lot) != state.lot:
        changes.setdefault("piece", None)  # a piece is named within its lot
    tags = {key: changes.get(key, getattr(state, key)) for key in ("operator", "lot", "piece", "position")}
    cleared = "cleared" if "characteristic" in changes and chosen is None else None
    record = _record(state, now, Kind.TAGS, characteristic=chosen, code=cleared, **tags)
    said = ", ".join(f"{key} {value}" if value else f"no {key}" for key, value in changes.items())
    return Decision((record,), Reply(accepted=True, text=said or "nothing changed"))


def _report(state: State, event: ev.Report, now: Moment) -> Decision:
    if event.gauge not in state.set_up.gauges:
        known = ", ".join(sorted(state.set_up.gauges)) or "none"
        raise CommandRefused(f"no gauge is named {event.gauge!r}", hint=f"the gauges here: {known}")
    meaning = REPORTS.get(event.what)
    if meaning is None:
        raise CommandRefused(
            f"{event.what!r} is nothing that can be reported", hint=f"report {', '.join(REPORTS)}"
        )
    record = _record(
        state,
        now,
        Kind.REPORT,
        gauge=event.gauge,
        operator=event.operator or state.operator,
        code=event.what,
        text=f"{meaning}: {event.note}" if event.note else meaning,
        ends_mastering=True,
        set_up=state.set_up_sequence,
    )
    return Decision(
        (record,), Reply(accepted=True, text=f"{event.gauge} is to be checked before its next verdict")
    )


def _resumed(state: State, event: ev.RecordingResumed, now: Moment) -> Decision:
    text = f"not recording for {Decimal(now.utc_ms - event.since_utc_ms).scaleb(-3)} s: {event.reason}; "
    text += f"{event.held} held and recorded after this, {event.dropped} lost"
    return Decision((_record(state, now, Kind.GAP, text=text, count=event.dropped),))


_DECIDERS: dict[type, Callable[[State, Any, Moment], Decision]] = {
    ev.Started: _started,
    ev.Stopped: _stopped,
    ev.SetUpLoaded: _set_up,
    ev.LinkUp: _link_up,
    ev.LinkDown: _link_down,
    ev.Arrived: _arrived,
    ev.MoreBadFrames: _more_bad_frames,
    ev.SetTags: _set_tags,
    ev.BeginMastering: begin_mastering,
    ev.BeginCheck: begin_check,
    ev.Abandon: abandon,
    ev.Finish: finish,
    ev.Report: _report,
    ev.Void: void,
    ev.Amend: amend,
    ev.Another: another,
    ev.RecordingResumed: _resumed,
}
