"""What speaks against a mastering beyond what its display mode predicts: refusals, and flags that are recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.bench.events import REPORTS
from gaugepost.core.bench.state import Mastered, Procedure, State
from gaugepost.core.bench.trust.drifting import still_drifting
from gaugepost.core.bench.trust.trend import trends
from gaugepost.core.indication import Moment
from gaugepost.core.mastering import predicted_mm, spread
from gaugepost.core.quantity import exact_text, quantise_mm, to_mm
from gaugepost.core.setup import CharacteristicEntry, Combine, GaugeEntry, MasterEntry

EXPLAINED = tuple(REPORTS[what] for what in ("contacts", "extension", "preset", "repair"))
"""What moves a gauge's offset for a reason: a jump after it casts no doubt on what was measured before."""


@dataclass(frozen=True, slots=True)
class Trust:
    """Why a mastering is refused, and what to know of one that is not."""

    refusals: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()
    unexplained: bool = False
    """Whether it jumped though nothing was done to the gauge: what was measured since the last good check doubtful."""


def trust(
    state: State,
    gauge: str,
    going: Procedure,
    sets_mm: Sequence[tuple[Decimal, ...]],
    means_mm: Sequence[Decimal],
    now: Moment,
) -> Trust:
    """Return what speaks against a mastering by what the set-up declares; nothing where it declares nothing."""
    entry = state.set_up.gauges[gauge]
    masters = [state.set_up.masters[name] for name in going.masters]
    drift = list(still_drifting(state, gauge, now))
    if entry.soak_k is not None:
        step_mm = max(to_mm(step, unit) for unit, step in going.units)
        for master, taken in zip(masters, sets_mm, strict=True):
            if (wandered := trends(taken, step_mm)) is not None:
                drift.append(
                    f"the readings of {master.name} still drift: {exact_text(wandered)} mm from first to last"
                )
    wide = [
        f"the readings of {master.name} spread by {exact_text(spread(taken))} mm, more than {entry.spread_limit_mm} mm"
        for master, taken in zip(masters, sets_mm, strict=True)
        if entry.spread_limit_mm is not None and spread(taken) > entry.spread_limit_mm
    ]
    others = [
        _is_it(better, master)
        for master, shown in zip(masters, means_mm, strict=True)
        if (better := _fits_better(state, entry, master, masters[0], shown)) is not None
    ]
    known = state.gauges[gauge]
    explained = any(reason.startswith(EXPLAINED) for reason in known.due)
    compared = means_mm if state.derivation > 3 else means_mm[:1]
    jumped = _jumped(entry, known.mastered, list(zip(masters, compared, strict=False)))
    before = None if explained else known.mastered
    flags = [
        *jumped,
        *(
            said
            for master, shown in zip(masters, means_mm, strict=True)
            if state.derivation > 4
            and (better := _near_another(state, entry, before, master, masters[0], shown)) is not None
            and (said := _is_it(better, master)) not in others
        ),
        *_far(state, entry, masters),
        *(
            f"no calibrated value of {master.name}: nominal size, class {master.tolerance_class}, "
            f"± {exact_text(master.half_tolerance_mm)} mm"
            for master in masters
            if master.half_tolerance_mm is not None
        ),
    ]
    refused = drift if entry.drifting_refused else []
    return Trust(
        (*refused, *wide, *others),
        tuple(flags if entry.drifting_refused else [*drift, *flags]),
        bool(jumped) and not explained,
    )


def _is_it(better: str, master: MasterEntry) -> str:
    return f"{better} fits the indication on {master.name} better: is it {better} that was read?"


def better_master(state: State, entry: GaugeEntry, size_mm: Decimal, within_mm: Decimal) -> str | None:
    """Return which master fits a size, `within_mm`, that is further off the one named; None: none of the station's."""
    if not entry.compare_masters:
        return None
    masters = state.set_up.masters.values()
    near = min(masters, key=lambda master: (abs(master.size_mm - size_mm), master.name))
    return near.name if abs(near.size_mm - size_mm) <= within_mm else None


def _fits_better(
    state: State, entry: GaugeEntry, master: MasterEntry, first: MasterEntry, shown_mm: Decimal
) -> str | None:
    """Return the master that fits an indication beyond the preset limit: the mastering is refused for it."""
    off = entry.sense * (shown_mm - predicted_mm(entry, master, first))
    if abs(off) <= entry.preset_limit_mm:
        return None
    return better_master(state, entry, master.size_mm + off, entry.preset_limit_mm)


def _near_another(
    state: State,
    entry: GaugeEntry,
    before: Mastered | None,
    master: MasterEntry,
    first: MasterEntry,
    shown_mm: Decimal,
) -> str | None:
    """Return the master that a check would say is the one that was read, where the display is as preset.

    Rings for both limits of a bore are nearer to each other than a preset limit. What a gauge showed at its mastering
    `before` says more than its display, whose offset that fixed. By chance an offset is as large as rings are apart:
    a flag.
    """
    if before is not None:
        size_mm = quantise_mm(before.cold.at(shown_mm))
    else:
        size_mm = master.size_mm + entry.sense * (shown_mm - predicted_mm(entry, master, first))
    if abs(size_mm - master.size_mm) <= entry.check_limit_mm:
        return None
    return better_master(state, entry, size_mm, entry.check_limit_mm)


def _jumped(
    entry: GaugeEntry, before: Mastered | None, shown_mm: Sequence[tuple[MasterEntry, Decimal]]
) -> tuple[str, ...]:
    """Return that the gauge shows its masters otherwise than by its last mastering, with the largest difference."""
    if entry.jump_limit_mm is None or before is None:
        return ()
    jump = max((quantise_mm(master.size_mm - before.cold.at(shown)) for master, shown in shown_mm), key=abs)
    if abs(jump) <= entry.jump_limit_mm:
        return ()
    far = f"{exact_text(jump.normalize())} mm from the last mastering, more than {entry.jump_limit_mm} mm"
    return (f"{far}: were contacts or preset changed?",)


def _far(state: State, entry: GaugeEntry, masters: Sequence[MasterEntry]) -> tuple[str, ...]:
    if entry.reach_mm is None:
        return ()
    chosen = state.gauges[entry.name].characteristic
    serving = [
        each
        for each in state.set_up.characteristics.values()
        if each.name == chosen or (chosen is None and entry.name in each.gauges)
    ]
    return tuple(
        f"{'+'.join(master.name for master in masters)} is {exact_text(away)} mm from {each.name}, "
        f"more than {entry.reach_mm} mm"
        for each in serving
        if (aim := aimed_mm(each)) is not None
        and (away := min(abs(master.size_mm - aim) for master in masters)) > entry.reach_mm
    )


def aimed_mm(entry: CharacteristicEntry) -> Decimal | None:
    """Return the size that a characteristic is about: its nominal, else a limit; None for one without either."""
    if entry.combine is Combine.RANGE:
        return None
    for size in (entry.nominal_mm, entry.lower_mm, entry.upper_mm):
        if size is not None:
            return size
    return None
