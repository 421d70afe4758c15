"""What an event leads to. Pure: the same state, event and time always give the same records and reply."""

from __future__ import annotations

import decimal
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

from gaugepost.core.bench import events as ev
from gaugepost.core.bench.apply import apply
from gaugepost.core.bench.arrivals.gauge import streamed
from gaugepost.core.bench.arrivals.routing import arrived, more_bad_frames
from gaugepost.core.bench.commands.afterwards import amend, another, void
from gaugepost.core.bench.commands.lifting import lift
from gaugepost.core.bench.commands.recall import rejudge, suspect
from gaugepost.core.bench.commands.reload import reload
from gaugepost.core.bench.commands.reports import report
from gaugepost.core.bench.commands.signing import sign
from gaugepost.core.bench.commands.tags import set_tags
from gaugepost.core.bench.events import Decision, Reply
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.procedures import abandon, begin_check, begin_mastering, finish
from gaugepost.core.bench.state import State
from gaugepost.core.bench.trust.ahead import look_ahead
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import CONTEXT
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import to_document

CLOCK_JUMP_MS = 2000
"""The wall clock may drift against the other one; from this much between two records on, it was moved."""


def decide(state: State, event: ev.Event, now: Moment) -> Decision:
    """Return the records that `event` at `now` leads to, and the reply; never raises for what people or gauges do."""
    with decimal.localcontext(CONTEXT):
        try:
            decision = _DECIDERS[type(event)](state, event, now)
        except CommandRefused as refused:
            return Decision((), Reply(accepted=False, text=refused.finding, hint=refused.hint))
        if decision.records and (jump := _clock_jump(state, now)):
            return _after_jump(state, event, now, jump)
        return decision


def _after_jump(state: State, event: ev.Event, now: Moment, jump: Record) -> Decision:
    decision = _DECIDERS[type(event)](apply(state, jump), event, now)
    return replace(decision, records=(jump, *decision.records))


def _clock_jump(state: State, now: Moment) -> Record | None:
    if state.now is None or state.now.boot != now.boot:
        return None
    jump_ms = (now.utc_ms - now.clock_ms) - (state.now.utc_ms - state.now.clock_ms)
    if abs(jump_ms) < CLOCK_JUMP_MS:
        return None
    text = f"the wall clock was moved by {Decimal(jump_ms).scaleb(-3):+} s"
    return plain(now, Kind.CONDITION, code="clock-jump", text=text)


def _started(state: State, event: ev.Started, now: Moment) -> Decision:
    went_back = state.now is not None and state.now.boot != now.boot and now.utc_ms < state.now.utc_ms
    text = (
        "the wall clock is behind the journal's last record: set it, then check the gauges"
        if went_back
        else None
    )
    ends = True if went_back else None
    record = plain(now, Kind.START, boot=now.boot, program=event.program, text=text, ends_mastering=ends)
    return Decision((record,))


def _stopped(state: State, event: ev.Stopped, now: Moment) -> Decision:
    return Decision((plain(now, Kind.STOP),))


def _set_up(state: State, event: ev.SetUpLoaded, now: Moment) -> Decision:
    if to_document(state.set_up) == event.document:
        return Decision()
    return Decision((plain(now, Kind.SET_UP, document=event.document),))


def _link_up(state: State, event: ev.LinkUp, now: Moment) -> Decision:
    return Decision((plain(now, Kind.LINK, link=event.link, code="connected", text=event.description),))


def _link_down(state: State, event: ev.LinkDown, now: Moment) -> Decision:
    if event.link not in state.links:
        return Decision()
    record = plain(now, Kind.LINK, link=event.link, code="lost", text=event.reason, ends_mastering=True)
    return Decision((record,))


def _resumed(state: State, event: ev.RecordingResumed, now: Moment) -> Decision:
    text = f"not recording for {Decimal(now.utc_ms - event.since_utc_ms).scaleb(-3)} s: {event.reason}; "
    text += f"{event.held} held and recorded after this, {event.dropped} lost"
    return Decision((plain(now, Kind.GAP, text=text, count=event.dropped),))


def _not_asked(state: State, event: ev.NotAsked, now: Moment) -> Decision:
    return Decision((plain(now, Kind.CONDITION, gauge=event.gauge, code="not-asked", text=event.reason),))


def _head_signed(state: State, event: ev.HeadSigned, now: Moment) -> Decision:
    made = event.signed.checkpoint
    record = plain(
        now,
        Kind.CHECKPOINT,
        first=made.first,
        last=made.last,
        last_hash=made.hash,
        public_key=event.signed.key,
        signature=event.signed.signature,
        next_public_key=made.next_key,
    )
    return Decision((record,))


def _access_changed(state: State, event: ev.AccessChanged, now: Moment) -> Decision:
    said = {"person": event.name, "code": event.what, "operator": event.by, "text": event.entry}
    return Decision((plain(now, Kind.ACCESS, **said),))


_DECIDERS: dict[type, Callable[[State, Any, Moment], Decision]] = {
    ev.Started: _started,
    ev.Stopped: _stopped,
    ev.SetUpLoaded: _set_up,
    ev.Reload: reload,
    ev.LinkUp: _link_up,
    ev.LinkDown: _link_down,
    ev.Arrived: arrived,
    ev.Streamed: streamed,
    ev.MoreBadFrames: more_bad_frames,
    ev.SetTags: set_tags,
    ev.BeginMastering: begin_mastering,
    ev.BeginCheck: begin_check,
    ev.Abandon: abandon,
    ev.Finish: finish,
    ev.Report: report,
    ev.Void: void,
    ev.Amend: amend,
    ev.Another: another,
    ev.Rejudge: rejudge,
    ev.Suspect: suspect,
    ev.Lift: lift,
    ev.Sign: sign,
    ev.RecordingResumed: _resumed,
    ev.LookAhead: look_ahead,
    ev.NotAsked: _not_asked,
    ev.HeadSigned: _head_signed,
    ev.AccessChanged: _access_changed,
}
