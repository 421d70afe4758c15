"""The budget of a length that a gauge measured after mastering: design's correction with its analytic sensitivities.

    D = S·(1 + αg·(Tg − 20)) / (1 + αp·(Tp − 20)),  S = s + q·(x − xm)
    s = Dm·(1 + αm·(Tm − 20)) / (1 + αg·(Tg,m − 20))

Evaluated at one length of the characteristic, its nominal: what differs between two pieces is beyond every digit that
is meant. Not so the errors of two masters, which are a lever: they count at a size of their own, `scale_at_mm`. Lengths
in mm, temperatures in °C, coefficients in 1/K.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from gaugepost.core.uncertainty.budget import LEVEL, Budget, budget
from gaugepost.core.uncertainty.component import Component, Shape, from_half_width

SAME_MATERIAL = 0.875
"""Correlation of two pieces' coefficients where both are their material's: as GUM H.1 has it, where the difference is
known to ±1e-6/K and the value to ±2e-6/K, so that u²(δα) = 2·u²(α)·(1 − r)."""

LEVER = 2
"""From so many times its own error on a master costs more by where it is than by how well it is known."""
FARTHER = "masters farther apart, with the size between them"

ONE_MASTER = "D = (Dm·(1+αm·θm)/(1+αg·θg,m) + q·(x−xm)) · (1+αg·θg)/(1+αp·θp),  θ = T−20 °C"
TWO_MASTERS = (
    "D = (s1 + (s2−s1)·(x−x1)/(x2−x1)) · (1+αg·θg)/(1+αp·θp),  si = Di·(1+αm·θm)/(1+αg·θg,m),  θ = T−20 °C"
)
DRIFTING = "D = (Dm·(1+αm·θm) + q·(x−xm) + c·(Tg−Tg,m)) / (1+αp·θp),  θ = T−20 °C"
UNCORRECTED = "D = Dm + q·(x−xm) + δE,  δE: expansion that is not corrected for"
CORRECTED_TWO = "D = D1 + (D2−D1)·(x−x1)/(x2−x1) + δE,  δE: expansion that is not corrected for"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """A master as its certificate has it."""

    name: str
    size_mm: float
    standard_mm: float
    shape: Shape = Shape.NORMAL
    """Of what is known of its size: rectangular where only a tolerance says it."""
    certificate: str = ""
    number: str = ""
    """The certificate's number, where it has one: two masters that share it share what is uncertain about it."""
    degrees_of_freedom: float | None = None
    drift_mm: float = 0.0
    """How far it may have drifted since, either way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """A body's coefficient of expansion."""

    value: float
    half_width: float
    is_handbooks: bool = True
    """Its material's, so that other pieces of that material share it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Warmth:
    """A body's temperature: what it has in common with others that one thermometer showed, and what is its own."""

    celsius: float
    spread_k: float = 0.0
    """How far the body may be from it, either way."""
    standard_k: float = 0.0
    """Standard uncertainty of the thermometer, or of its calibration."""
    thermometer: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """What grows: part, master or gauge."""

    coefficient: Coefficient
    at: Warmth


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauging:
    """All that is known about how a length was measured."""

    length_mm: float
    scale_at_mm: float | None = None
    """Size at which two masters' errors, and those of reading them, are taken; None: at `length_mm`."""
    scale: float = 1.0
    """Length over indication: what two masters made of the gauge's own scale; 1 with one."""
    rings: tuple[Ring, ...]
    repeatability_mm: float
    """Standard deviation of one reading."""
    repeatability_degrees: float | None
    repeatability_source: str = "declared"
    mastering_readings: int = 1
    step_mm: float
    mastering_step_mm: float
    maximum_error_mm: float | None = None
    part: Body
    master: Body
    gauge: Body | None
    """None: a drift replaces its growth."""
    gauge_mastered: Warmth
    drift_mm_per_k: float = 0.0
    gauge_now: Warmth | None = None
    """The gauge's temperature where it drifts."""
    is_corrected: bool = True
    level: float = LEVEL
    assumed: tuple[str, ...] = ()


def gauging_budget(known: Gauging) -> Budget:
    """Return the budget of one reading; `Budget.of_mean` is that of a mean."""
    parts = [*_masters(known), *_readings(known)]
    parts += _growth(known) if known.is_corrected else _uncorrected(known)
    assumed = known.assumed
    if known.maximum_error_mm is None:
        assumed += (
            "no maximum permissible error is declared: the gauge's own error over its travel is left out",
        )
    return budget(tuple(parts), level=known.level, model=model_of(known), assumed=assumed)


def model_of(known: Gauging) -> str:
    """Return the model equation that the budget is of."""
    two = len(known.rings) == 2
    if not known.is_corrected:
        return CORRECTED_TWO if two else UNCORRECTED
    if known.gauge is None:
        return DRIFTING
    return TWO_MASTERS if two else ONE_MASTER


def _shares(known: Gauging) -> tuple[float, ...]:
    """Return how much of each master's error comes through at this size: 1, or 1 − r and r of two."""
    if len(known.rings) == 1:
        return (1.0,)
    first, second = known.rings
    at = known.length_mm if known.scale_at_mm is None else known.scale_at_mm
    r = (at - first.size_mm) / (second.size_mm - first.size_mm)
    return (1 - r, r)


def _masters(known: Gauging) -> list[Component]:
    made, shares = [], _shares(known)
    # How far the errors on one certificate go together nobody says: what makes more of them is taken. Between the
    # masters' sizes they add up, beyond them they would cancel.
    number, *others = {ring.number for ring in known.rings}
    adds_up = number and not others and len(known.rings) == 2 and min(shares) > 0
    for ring, share in zip(known.rings, shares, strict=True):
        made.append(
            Component(
                quantity=f"size of {ring.name}",
                value=ring.size_mm,
                standard=ring.standard_mm,
                sensitivity=share,
                shape=ring.shape,
                degrees_of_freedom=ring.degrees_of_freedom,
                source=ring.certificate or "certificate",
                advice=FARTHER if abs(share) >= LEVER else "a calibration with a smaller uncertainty",
                shared=f"certificate {number}" if adds_up else "",
                correlation=1.0,
            )
        )
        if ring.drift_mm:
            made.append(
                Component(
                    quantity=f"drift of {ring.name}",
                    standard=from_half_width(ring.drift_mm, Shape.RECTANGULAR),
                    sensitivity=share,
                    shape=Shape.RECTANGULAR,
                    source=f"±{ring.drift_mm * 1000:.4g} µm since its calibration",
                    advice="calibrate it again, or more often",
                )
            )
    return made


def _readings(known: Gauging) -> list[Component]:
    made = []
    for place, share in enumerate(_shares(known)):
        on = f" on {known.rings[place].name}" if len(known.rings) > 1 else ""
        made.append(
            Component(
                quantity=f"mean of {known.mastering_readings} readings at mastering{on}",
                standard=known.repeatability_mm / math.sqrt(known.mastering_readings),
                sensitivity=-share * known.scale,
                degrees_of_freedom=known.repeatability_degrees,
                estimate="repeatability",
                source=known.repeatability_source,
                advice="more readings at mastering",
                new_at="mastering",
            )
        )
        of_step = -share * known.scale
        made.append(_step(known.mastering_step_mm, of_step, f"resolution at mastering{on}", "mastering"))
    made.append(
        Component(
            quantity="repeatability of a reading",
            standard=known.repeatability_mm,
            sensitivity=known.scale,
            degrees_of_freedom=known.repeatability_degrees,
            estimate="repeatability",
            source=known.repeatability_source,
            advice="a mean of several readings, or a steadier set-up",
            repeats=True,
            new_at="reading",
        )
    )
    made.append(_step(known.step_mm, known.scale, "resolution at measuring", "reading"))
    if known.maximum_error_mm is not None:
        made.append(
            Component(
                quantity="maximum permissible error of the gauge",
                standard=from_half_width(known.maximum_error_mm, Shape.RECTANGULAR),
                sensitivity=known.scale,
                shape=Shape.RECTANGULAR,
                source=f"±{known.maximum_error_mm * 1000:.4g} µm, declared",
                advice="a gauge with a smaller maximum permissible error, or a master nearer to the size",
                new_at="reading",
            )
        )
    return made


def _step(
    step_mm: float, sensitivity: float, quantity: str, new_at: Literal["reading", "mastering"]
) -> Component:
    return Component(
        quantity=quantity,
        standard=from_half_width(step_mm / 2, Shape.RECTANGULAR),
        sensitivity=sensitivity,
        shape=Shape.RECTANGULAR,
        source=f"step {step_mm * 1000:.4g} µm",
        advice="a finer display",
        new_at=new_at,
    )


def _growth(known: Gauging) -> list[Component]:
    """Return what coefficients and temperatures contribute to a corrected length, and their products (GUM, 5.1.2)."""
    size = known.length_mm
    part, master, gauge = known.part, known.master, known.gauge
    grown = 1 + part.coefficient.value * (part.at.celsius - 20)
    mastered = 1 + master.coefficient.value * (master.at.celsius - 20)
    made = [
        *_coefficient("part", part.coefficient, -size * (part.at.celsius - 20) / grown),
        *_coefficient("master", master.coefficient, size * (master.at.celsius - 20) / mastered),
        *_warmth("part", part.at, -size * part.coefficient.value / grown),
        *_at_mastering(_warmth("master", master.at, size * master.coefficient.value / mastered)),
        *_product("part", part, size),
        *_at_mastering(_product("master", master, size)),
    ]
    if gauge is None:
        assert known.gauge_now is not None
        of_gauge = _warmth("gauge", known.gauge_now, known.drift_mm_per_k)
        of_gauge += _warmth("gauge at mastering", known.gauge_mastered, -known.drift_mm_per_k)
        return [*made, *_at_mastering(of_gauge)]
    alpha = gauge.coefficient.value
    now = 1 + alpha * (gauge.at.celsius - 20)
    then = 1 + alpha * (known.gauge_mastered.celsius - 20)
    of_alpha = size * ((gauge.at.celsius - 20) / now - (known.gauge_mastered.celsius - 20) / then)
    of_gauge = _coefficient("gauge", gauge.coefficient, of_alpha)
    of_gauge += _warmth("gauge", gauge.at, size * alpha / now)
    of_gauge += _warmth("gauge at mastering", known.gauge_mastered, -size * alpha / then)
    of_gauge += _product("gauge", gauge, size)
    return [*made, *_at_mastering(of_gauge)]


def _at_mastering(parts: list[Component]) -> list[Component]:
    """Return what belongs to a gauge and its mastering: another mastering, or gauge, has another error of it."""
    return [replace(each, new_at="mastering") for each in parts]


def _coefficient(body: str, known: Coefficient, sensitivity: float) -> list[Component]:
    if not known.half_width:
        return []
    return [
        Component(
            quantity=f"coefficient of expansion of the {body}",
            value=known.value,
            unit="1/K",
            standard=from_half_width(known.half_width, Shape.RECTANGULAR),
            sensitivity=sensitivity,
            shape=Shape.RECTANGULAR,
            source=f"{'handbook' if known.is_handbooks else 'declared'}, ±{known.half_width:.4g}/K",
            advice="measure nearer to 20 °C, or state a better known coefficient",
            shared=f"material {known.value:.6g}" if known.is_handbooks else "",
            correlation=SAME_MATERIAL,
        )
    ]


def _warmth(body: str, known: Warmth, sensitivity: float) -> list[Component]:
    made = []
    if known.standard_k:
        made.append(
            Component(
                quantity=f"temperature of the {body}",
                value=known.celsius,
                unit="°C",
                standard=known.standard_k,
                sensitivity=sensitivity,
                source=known.source,
                advice="a better thermometer",
                shared=f"thermometer {known.thermometer}" if known.thermometer else "",
                correlation=1.0,
            )
        )
    if known.spread_k:
        made.append(
            Component(
                quantity=f"temperature of the {body}, spread",
                value=known.celsius,
                unit="°C",
                standard=from_half_width(known.spread_k, Shape.RECTANGULAR),
                sensitivity=sensitivity,
                shape=Shape.RECTANGULAR,
                source=f"{known.source}, ±{known.spread_k:.4g} K",
                advice="a thermometer on it, or longer soaking",
            )
        )
    return made


def _product(body: str, known: Body, size_mm: float) -> list[Component]:
    """Return the second-order term of coefficient and temperature: all there is of them at 20 °C."""
    alpha = from_half_width(known.coefficient.half_width, Shape.RECTANGULAR)
    spread = from_half_width(known.at.spread_k, Shape.RECTANGULAR)
    kelvin = math.sqrt(known.at.standard_k * known.at.standard_k + spread * spread)
    if not alpha or not kelvin:
        return []
    return [
        Component(
            quantity=f"second-order term of the {body}'s expansion",
            unit="1",
            standard=alpha * kelvin,
            sensitivity=size_mm,
            source="u(α)·u(T), GUM 5.1.2",
            advice="a better known temperature",
        )
    ]


def _uncorrected(known: Gauging) -> list[Component]:
    """Return the whole expansion of each body as a component: nothing was corrected for it (GUM, F.2.4.5)."""
    bodies = [("part", known.part), ("master", known.master)]
    made = [
        _expansion(
            name,
            body.coefficient.value + body.coefficient.half_width,
            abs(body.at.celsius - 20) + _most(body.at),
            known.length_mm,
        )
        for name, body in bodies
    ]
    now = known.gauge.at if known.gauge is not None else known.gauge_now
    assert now is not None
    apart = abs(now.celsius - known.gauge_mastered.celsius) + _most(now) + _most(known.gauge_mastered)
    of_gauge = []
    if known.gauge is not None:
        alpha = known.gauge.coefficient
        of_gauge.append(
            _expansion("gauge since mastering", alpha.value + alpha.half_width, apart, known.length_mm)
        )
    elif known.drift_mm_per_k:
        of_gauge.append(_expansion("gauge since mastering", known.drift_mm_per_k, apart, 1.0))
    return [*made, *_at_mastering(of_gauge)]


def _most(at: Warmth) -> float:
    """How far a temperature may be off: its spread, and twice its standard uncertainty."""
    return at.spread_k + 2 * at.standard_k


def _expansion(body: str, per_kelvin: float, kelvin: float, length_mm: float) -> Component:
    half_width = abs(length_mm * per_kelvin) * kelvin
    return Component(
        quantity=f"uncorrected expansion of the {body}",
        standard=from_half_width(half_width, Shape.RECTANGULAR),
        shape=Shape.RECTANGULAR,
        source=f"up to {kelvin:.3g} K from 20 °C" if "since" not in body else f"up to {kelvin:.3g} K apart",
        advice="measure temperatures, so that it can be corrected for",
    )
