"""Checks on a schedule: by pieces, by time, at times of day, at a lot's ends; and what is due soon."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta, tzinfo

from gaugepost.core.bench.state import GaugeState, State, elapsed_ms
from gaugepost.core.indication import Moment
from gaugepost.core.setup import GaugeEntry, LotCheck

WARNING_MS = 600_000
WARNING_PIECES = 2
"""How far ahead a check that is due soon is told, where the station file does not say; at most a quarter of the way."""
CALIBRATION_WARNING_MS = 14 * 86_400_000
_DAY_MS, _MINUTE_MS = 86_400_000, 60_000

LOT_CHANGED = "the lot changed: check before measuring on"


def scheduled(state: State, gauge: str, now: Moment) -> tuple[str, ...]:
    """Return which scheduled checks are due at `now`, of those that go by pieces, readings and time since the last one.

    Those at a time of day are due once the journal says so (`passed`): what a time of day is, a zone decides.
    """
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    if known.checked is None:
        return ()
    reasons = []
    age = elapsed_ms(now, known.checked)
    if age is None:
        reasons.append("the clock went back since the last check")
    elif entry.valid_for_ms is not None and age > entry.valid_for_ms:
        reasons.append(f"last checked more than {span_text(entry.valid_for_ms)} ago")
    if age is not None and entry.check_every_ms is not None and age > entry.check_every_ms:
        reasons.append(f"the check every {span_text(entry.check_every_ms)} is due")
    if entry.valid_count is not None and known.readings >= entry.valid_count:
        reasons.append(f"{known.readings} readings since the last check")
    every = entry.check_every_pieces
    if every is not None and known.pieces + is_another_piece(state, known) > every:
        reasons.append(f"the check every {every} pieces is due")
    return tuple(reasons)


def is_another_piece(state: State, known: GaugeState) -> bool:
    """Whether the next reading is of another piece than those that were counted, as one without a name always is."""
    return (state.lot, state.piece) != known.last_piece


def passed(entry: GaugeEntry, known: GaugeState, now: Moment, zone: tzinfo) -> str | None:
    """Return that the check at a time of day is due, where that time has passed since the last good one.

    A check made within the warning before it counts for it: who is warned and checks at once is not asked again.
    """
    if not entry.check_at_min or known.checked is None:
        return None
    at_ms, minute = max(each for each in _times(entry.check_at_min, now, zone) if each[0] <= now.utc_ms)
    if known.checked.utc_ms >= at_ms - _warning_ms(entry, _DAY_MS):
        return None
    return f"the check at {clock_text(minute)} is due"


def checks_coming(state: State, gauge: str, now: Moment, zone: tzinfo) -> tuple[str, ...]:
    """Return which checks will be due soon; none of a gauge that is to be checked anyway."""
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    if known.checked is None or known.due or scheduled(state, gauge, now):
        return ()
    return tuple(_coming(state, entry, known, now, zone))


def checks_left(state: State, gauge: str, now: Moment, zone: tzinfo) -> tuple[str, ...]:
    """Return how long the last good check lasts, by everything that it is scheduled by; nothing once one is due."""
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    if known.checked is None or known.due or scheduled(state, gauge, now):
        return ()
    age = elapsed_ms(now, known.checked)
    assert age is not None, "a clock that went back makes a check due"
    left = [
        f"{_hours(every - age)} to the check {what} {span_text(every)}"
        for every, what in ((entry.check_every_ms, "every"), (entry.valid_for_ms, "at least every"))
        if every is not None
    ]
    if entry.check_at_min:
        at_ms, minute = _next(entry.check_at_min, entry, known.checked, now, zone)
        left.append(f"{_hours(at_ms - now.utc_ms)} to the check at {clock_text(minute)}")
    pieces, readings = entry.check_every_pieces, entry.valid_count
    if pieces is not None:
        left.append(
            f"{_counted(pieces - known.pieces, 'piece')} to the check every {_counted(pieces, 'piece')}"
        )
    if readings is not None:
        left.append(
            f"{_counted(readings - known.readings, 'reading')} to the check after {_counted(readings, 'reading')}"
        )
    return tuple(left)


def checked_until_ms(state: State, gauge: str, now: Moment, zone: tzinfo) -> int | None:
    """Return when the last good check ends by time, UTC in ms; None once it ended, or where no time ends it.

    Calibrations end it too, of the gauge and of the masters in force; pieces and readings may end it sooner.
    """
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    if known.checked is None or known.due or scheduled(state, gauge, now):
        return None
    age = elapsed_ms(now, known.checked)
    assert age is not None, "a clock that went back makes a check due"
    masters = known.mastered.masters if known.mastered else ()
    named = [state.set_up.masters.get(name) for name in masters]
    ends = [entry.due_utc_ms, *(each.due_utc_ms for each in named if each is not None)]
    ends += [
        now.utc_ms + every - age for every in (entry.check_every_ms, entry.valid_for_ms) if every is not None
    ]
    if entry.check_at_min:
        ends.append(_next(entry.check_at_min, entry, known.checked, now, zone)[0])
    return min((end for end in ends if end is not None), default=None)


def _coming(state: State, entry: GaugeEntry, known: GaugeState, now: Moment, zone: tzinfo) -> Iterator[str]:
    assert known.checked is not None
    age = elapsed_ms(now, known.checked)
    assert age is not None, "a clock that went back makes a check due"
    for every, what in ((entry.check_every_ms, "every"), (entry.valid_for_ms, "at least every")):
        if every is not None and every - age <= _warning_ms(entry, every):
            yield f"due in {_minutes(every - age)}: the check {what} {span_text(every)}"
    if entry.check_at_min:
        at_ms, minute = _next(entry.check_at_min, entry, known.checked, now, zone)
        if at_ms - now.utc_ms <= _warning_ms(entry, _DAY_MS):
            yield f"due in {_minutes(at_ms - now.utc_ms)}: the check at {clock_text(minute)}"
    pieces, readings = entry.check_every_pieces, entry.valid_count
    if pieces is not None and (left := pieces - known.pieces) <= _warning_count(entry, pieces):
        when = f"after {_counted(left, 'more piece')}" if left > 0 else "before the next piece"
        yield f"due {when}: the check every {_counted(pieces, 'piece')}"
    if readings is not None and (left := readings - known.readings) <= _warning_count(entry, readings):
        yield f"due after {_counted(left, 'more reading')}: the check after {_counted(readings, 'reading')}"


def calibrations_coming(state: State, gauge: str, now: Moment) -> tuple[str, ...]:
    """Return which calibrations that the gauge's verdicts rest on end within two weeks."""
    known, set_up = state.gauges[gauge], state.set_up
    ends = {"the gauge": set_up.gauges[gauge].due_utc_ms}
    for name in known.mastered.masters if known.mastered else ():
        ends[name] = set_up.masters[name].due_utc_ms if name in set_up.masters else None
    return tuple(
        f"due in {_counted(-(-left // _DAY_MS), 'day')}: the calibration of {name}"
        for name, end in ends.items()
        if end is not None and 0 <= (left := end - now.utc_ms) <= CALIBRATION_WARNING_MS
    )


def due_by_lot(state: State, lot: str | None) -> Iterator[dict[str, str]]:
    """Yield which gauges wait for a check, and why, where the lot in hand becomes `lot` after the state's."""
    asked = state.set_up.lot_checks_asked
    mastered = {name: known for name, known in state.gauges.items() if known.mastered is not None}
    used = [name for name, known in mastered.items() if known.readings]
    if not state.set_up.lot_checks or lot == state.lot:
        return
    if asked is None:
        yield dict.fromkeys(used, LOT_CHANGED)
        return
    if LotCheck.CLOSING in asked and state.lot is not None:
        yield dict.fromkeys(used, f"lot {state.lot} closes with a check")
    if LotCheck.OPENING in asked and lot is not None:
        yield dict.fromkeys(mastered, opens(lot))


def opens(lot: str) -> str:
    """Return why a gauge waits at the beginning of `lot`."""
    return f"lot {lot} opens with a check"


def clock_text(minute: int) -> str:
    """Return a time of day: 390 gives "06:30"."""
    return f"{minute // 60:02}:{minute % 60:02}"


def span_text(ms: int) -> str:
    """Return a time in the largest unit that says it in whole numbers: 28800000 gives "8 h"."""
    for size, name in ((86_400_000, "d"), (3_600_000, "h"), (60_000, "min"), (1000, "s")):
        if ms >= size and ms % size == 0:
            return f"{ms // size} {name}"
    return f"{ms} ms"


def _next(
    minutes: Iterable[int], entry: GaugeEntry, checked: Moment, now: Moment, zone: tzinfo
) -> tuple[int, int]:
    """Return the next time of day that the last good check does not count for, as `passed` counts it."""
    counts_ms = checked.utc_ms + _warning_ms(entry, _DAY_MS)
    return min(each for each in _times(minutes, now, zone) if each[0] > max(now.utc_ms, counts_ms))


def _times(minutes: Iterable[int], now: Moment, zone: tzinfo) -> Iterator[tuple[int, int]]:
    """Yield times of day from yesterday to the day after tomorrow: UTC in ms, and the minute of the day."""
    here = datetime.fromtimestamp(now.utc_ms // 1000, UTC).astimezone(zone)
    for days in (-1, 0, 1, 2):
        day = here.date() + timedelta(days=days)
        for minute in minutes:
            at = datetime(day.year, day.month, day.day, minute // 60, minute % 60, tzinfo=zone)
            yield round(at.timestamp()) * 1000, minute


def _warning_ms(entry: GaugeEntry, every_ms: int) -> int:
    return min(WARNING_MS if entry.warning_ms is None else entry.warning_ms, every_ms // 4)


def _warning_count(entry: GaugeEntry, every: int) -> int:
    return min(WARNING_PIECES if entry.warning_pieces is None else entry.warning_pieces, every // 4)


def _minutes(ms: int) -> str:
    return f"{max(1, -(-ms // _MINUTE_MS))} min"


def _hours(ms: int) -> str:
    minutes = max(0, ms // _MINUTE_MS)
    return f"{minutes // 60} h {minutes % 60} min" if minutes >= 60 else f"{minutes} min"


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
