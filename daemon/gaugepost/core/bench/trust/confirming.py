"""Which master is in hand: what a scan of it says to the mastering or check that goes on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from gaugepost.core.bench.plain import plain, unknown
from gaugepost.core.bench.state import Procedure, State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import MasterEntry

OF_MASTERS = ("serial_number", "master")
"""What a code may say of a master: the number engraved on it, or its name in the station file."""


def can_be_scanned(state: State, entry: MasterEntry) -> bool:
    """Whether some scanner's codes can name this master."""
    return names_master((code for each in state.set_up.scanners.values() for code in each.codes), entry)


def names_master(codes: Iterable[str], entry: MasterEntry) -> bool:
    """Whether one of the patterns can name this master: by its name, or by its serial number where it has one."""
    holes = ["{master}", *(["{serial_number}"] if entry.serial is not None else [])]
    return any(hole in code for code in codes for hole in holes)


def master_scanned(state: State, said: Mapping[str, str], now: Moment, **fields: object) -> Record:
    """Return the record of a master's code: for which gauge it confirms which master, or that it is another one.

    Raises:
        CommandRefused: no master here has that number or name, or nothing goes on that it could confirm.
    """
    meant = _meant(state, said)
    going = {
        gauge: known.procedure
        for gauge, known in state.gauges.items()
        if known.procedure is not None and not known.procedure.is_moving
    }
    if not going:
        raise CommandRefused(
            "no master is to be read now",
            hint=f"begin a mastering or check, then scan {' or '.join(meant)} again",
        )
    fitting = {gauge: one for gauge, one in going.items() if one.master_now in meant}
    gauge, procedure = max((fitting or going).items(), key=lambda named: named[1].begun)
    wanted = procedure.master_now
    code = "taken" if fitting else "refused"
    text = f"master {wanted} for {gauge}" if fitting else _another(state, meant, gauge, procedure)
    return plain(now, Kind.SCAN, code=code, text=text, gauge=gauge, master=wanted, **fields)


def _meant(state: State, said: Mapping[str, str]) -> list[str]:
    masters = state.set_up.masters
    if (name := said.get("master")) is not None:
        if name not in masters:
            raise unknown("master", name, masters)
        return [name]
    number = said["serial_number"]
    meant = [entry.name for entry in masters.values() if entry.serial == number]
    if not meant:
        raise CommandRefused(
            f"no master here has the serial number {number}", hint="take one of the station's masters in hand"
        )
    return meant


def _another(state: State, meant: list[str], gauge: str, procedure: Procedure) -> str:
    wanted, what = procedure.master_now, "check" if procedure.is_check else "mastering"
    said = f"that is {' or '.join(meant)}, and the {what} of {gauge} is on {wanted} now"
    return f"{said}: take {wanted} in hand and scan it"
