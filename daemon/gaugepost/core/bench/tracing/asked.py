"""What is traced and what is corrected, in words as a command line or an address carries them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from decimal import Decimal

from gaugepost.core.bench.tracing.dependants import What
from gaugepost.core.bench.tracing.revision import Revision
from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import parse_length, parse_number

CERTIFICATE = ("size", "uncertainty", "coverage_factor")
KEYS = (*CERTIFICATE, "correction", "master", "thermometer")
"""What is said of a correction, by command line, address and body."""
ROOMS = {
    What.MASTER: "masters",
    What.GAUGE: "gauges",
    What.THERMOMETER: "thermometers",
    What.MASTERING: "records",
}
"""Where each thing that is traced stands in an address."""


def revision_from(what: What, name: str, said: Mapping[str, str | None]) -> Revision:
    """Return what is corrected.

    `said` may have `size` and `uncertainty`, lengths with their unit, and `coverage_factor`, of the master that is
    traced or that `master` names; and `correction`, kelvin with a sign, of the thermometer that is traced or that
    `thermometer` names. Raises `ValueRefused`.
    """
    master = said.get("master") or (name if what is What.MASTER else None)
    thermometer = said.get("thermometer") or (name if what is What.THERMOMETER else None)
    keys = {key: text for key in CERTIFICATE if (text := said.get(key)) is not None}
    if keys and master is None:
        raise ValueRefused("nothing says whose certificate is corrected", hint="name the master too")
    kelvin = said.get("correction")
    if kelvin is not None and thermometer is None:
        raise ValueRefused("nothing says which thermometer is corrected", hint="name the thermometer too")
    masters = {} if master is None or not keys else {master: {k: _positive(k, t) for k, t in keys.items()}}
    known = {} if thermometer is None or kelvin is None else {thermometer: _kelvin(kelvin)}
    return Revision(masters, known)


def known_or_refused(what: str, name: str, known: Iterable[str]) -> None:
    """Raise `ValueRefused` unless `name` is one of those that a station file ever had here."""
    names = sorted(set(known))
    if name in names:
        return
    meant = difflib.get_close_matches(name, names, n=1)
    listed = ", ".join(names[:20]) or "none"
    raise ValueRefused(
        f"no {what} was ever named {name[:80]!r} here",
        hint=f"did you mean {meant[0]}?" if meant else f"there were: {listed}",
    )


def _positive(key: str, text: str) -> Decimal:
    value = parse_number(text) if key == "coverage_factor" else parse_length(text).mm
    if value <= 0:
        raise ValueRefused(f"{text!r} is no {key.replace('_', ' ')}", hint="write one above zero")
    return value


def _kelvin(text: str) -> Decimal:
    number, _, unit = text.strip().partition(" ")
    if unit.strip() not in ("K", "°C"):
        raise ValueRefused(
            f"{text!r} is no correction of a thermometer",
            hint='write what is added to what it showed, in kelvin: "-0.3 K"',
        )
    return parse_number(number)
