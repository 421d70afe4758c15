"""Until when a check counts, by time alone: the earliest of all that ends it, and nothing once one has."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from gaugepost.core.bench.schedule import checked_until_ms
from gaugepost.core.bench.standing import standing
from tests.core.station import RING, Hand
from tests.core.test_schedule import HOUR, MINUTE, at, ready

BERLIN = ZoneInfo("Europe/Berlin")


def until(hand: Hand) -> int | None:
    return checked_until_ms(hand.state, "bore-1", hand.now, BERLIN)


def ms(when: datetime) -> int:
    return round(when.timestamp() * 1000)


def test_the_earliest_end_counts() -> None:
    """Of an age, a rhythm and a time of day the first that comes is said, and the gauge gives verdicts up to it."""
    began = at(2026, 3, 2, 7, 0)
    for gauge, end in (
        ({"valid_for_ms": 8 * HOUR, "check_every_ms": 2 * HOUR}, at(2026, 3, 2, 9, 0)),
        ({"valid_for_ms": 8 * HOUR}, at(2026, 3, 2, 15, 0)),
        ({"valid_for_ms": 8 * HOUR, "check_at_min": (6 * 60, 14 * 60)}, at(2026, 3, 2, 14, 0)),
        ({"valid_for_ms": None, "check_at_min": (6 * 60,)}, at(2026, 3, 3, 6, 0)),
        ({"valid_for_ms": None, "check_at_min": (7 * 60 + 5, 14 * 60)}, at(2026, 3, 2, 14, 0)),
    ):
        hand = ready(began, **gauge)
        said = until(hand)
        assert said is not None
        assert abs(said - ms(end)) < MINUTE, gauge
        hand.wait(30 * MINUTE)
        assert until(hand) == said, "it is an instant, however late somebody asks"


def test_nothing_is_said_where_nothing_ends_it_or_it_ended() -> None:
    """Without a schedule there is no such time; after it there is none until the next good check."""
    assert until(ready(valid_for_ms=None, check_every_pieces=3)) is None
    hand = ready(check_every_ms=2 * HOUR)
    hand.wait(2 * HOUR + 1)
    assert standing(hand.state, "bore-1", hand.now)
    assert until(hand) is None
    hand.check("38.004")
    assert until(hand) == hand.now.utc_ms + 2 * HOUR


def test_calibrations_end_it_too() -> None:
    """The due date of the gauge, or of a ring in force, ends it where it is nearer than the next check."""
    began = at(2026, 3, 2, 7, 0)
    ends = ms(began) + HOUR
    assert until(ready(began, valid_for_ms=8 * HOUR, due_utc_ms=ends)) == ends
    hand = ready(began, valid_for_ms=8 * HOUR)
    masters = {**hand.state.set_up.masters, RING.name: replace(RING, due_utc_ms=ends)}
    hand.state = replace(hand.state, set_up=replace(hand.state.set_up, masters=masters))
    assert until(hand) == ends
