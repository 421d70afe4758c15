"""Gauges whose reports say themselves what they hold: a value is found by its usage, and its unit with it.

    │ number │ … fields from the lowest bit up, as the report descriptor lays them out … │
     └ where reports are numbered

The descriptor stands in the station file, so that a report can be read again years later, without the gauge.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any, ClassVar, Self

from pydantic import Field as Setting, model_validator

from gaugepost.contract import (
    MAX_FRAME_BYTES,
    AdapterSettings,
    BadFrame,
    Chunk,
    Decoded,
    Indication,
    Unit,
    ValueRefused,
    parse_number,
    parse_unit,
)
from gaugepost.contract.teaching import Drafts, Evidence
from gaugepost_adapters.decoders.hid.descriptor import CENTIMETRE, INCH, Descriptor, Field
from gaugepost_adapters.decoders.shared_settings import UnitName

_USAGE = re.compile(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}")
_MOST_DECIMALS = 9


class Settings(AdapterSettings):
    """Where a gauge's reports have the measured length. `gaugepost devices` prints descriptor and usages."""

    descriptor: str = Setting(min_length=2, max_length=2 * MAX_FRAME_BYTES)
    """The device's report descriptor, in hexadecimal digits."""
    usage: str
    """Usage of the value, as "page:usage" with four hexadecimal digits each."""
    report: int | None = Setting(default=None, ge=1, le=255)
    """Number of the report that holds it, where several reports have the usage."""
    unit: UnitName | None = None
    """Unit of the value, where the descriptor names none."""

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        try:
            self.scale()
        except ValueRefused as refused:
            raise ValueError(str(refused)) from refused
        return self

    def parsed(self) -> Descriptor:
        """Return the descriptor, read; raises `ValueRefused` where it is none."""
        try:
            data = bytes.fromhex(self.descriptor)
        except ValueError as error:
            raise ValueRefused(
                "descriptor is not in hexadecimal digits", hint="paste it as `gaugepost devices` prints it"
            ) from error
        return Descriptor.parse(data)

    def field(self) -> Field:
        """Return the one field that is meant; raises `ValueRefused` where there is none, or several are."""
        if not _USAGE.fullmatch(self.usage):
            raise ValueRefused(f"usage = {self.usage!r} is none", hint='write "page:usage", as "0020:0494"')
        values = self.parsed().values()
        page, usage = (int(part, 16) for part in self.usage.split(":"))
        meant = [
            one for one in values if one.usage == page << 16 | usage and self.report in (None, one.report)
        ]
        if len(meant) == 1:
            return meant[0]
        there = "; ".join(one.described() for one in meant or values) or "none"
        what = f"{len(meant)} values have" if meant else "no value has"
        raise ValueRefused(
            f"{what} the usage {self.usage}", hint=f"correct usage, or name the report; there are: {there}"
        )

    def scale(self) -> tuple[Field, Unit, Fraction, int]:
        """Return the field, its unit, what to multiply its value by for that, and how many decimals that has.

        Raises:
            ValueRefused: there is no such field, its unit is no length, or its steps are no decimal number.
        """
        field = self.field()
        if field.unit == 0 and self.unit is not None:
            unit, factor = parse_unit(self.unit), Fraction(1)
        elif self.unit is not None:
            raise ValueRefused(
                "the descriptor names the unit itself", hint="take unit out of the decoder's table"
            )
        elif field.unit == CENTIMETRE:
            unit, factor = Unit.MM, Fraction(10)
        elif field.unit == INCH:
            unit, factor = Unit.INCH, Fraction(1)
        elif field.unit == 0:
            raise ValueRefused(
                "the descriptor names no unit", hint='see the gauge\'s manual, write unit = "mm"'
            )
        else:
            raise ValueRefused(f"the unit {field.unit:#x} is no length", hint="name a usage that is a length")
        for decimals in range(_MOST_DECIMALS + 1):
            whole = 10**decimals * factor
            if all((one * whole).denominator == 1 for one in (field.step, field.value(field.logical[0]))):
                return field, unit, factor, decimals
        raise ValueRefused(
            f"a step of {field.step} is no decimal number", hint="read the value by its place: binary_number"
        )


class HidUsage:
    """Decodes reports of one gauge."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        self._field, self._unit, self._factor, self._decimals = settings.scale()
        parsed = settings.parsed()
        self._numbered = parsed.numbered
        self._bytes = (parsed.bits[self._field.report] + 7) // 8 + self._numbered

    @classmethod
    def propose(cls, evidence: Evidence) -> Drafts:
        """Return values of the device's descriptor that read what was typed; see `proposing/usages.py`."""
        from gaugepost_adapters.decoders.proposing import usages

        return usages.propose(evidence)

    @classmethod
    def usual(cls, tells: Mapping[str, str]) -> Iterable[Mapping[str, Any]]:
        """Return each value that the device's own descriptor tells of."""
        from gaugepost_adapters.decoders.proposing import usages

        return [draft.settings for draft in usages.propose(Evidence((), tells=tells)).drafts]

    def feed(self, chunk: Chunk) -> list[Decoded]:
        """Return the value of a report; what is no whole report is a bad frame."""
        raw = chunk.data
        if not raw:
            return []
        if not chunk.complete or len(raw) > MAX_FRAME_BYTES:
            reason = "bytes without a report's edges: the link must be one of reports, as hid_report"
            pieces = range(0, len(raw), MAX_FRAME_BYTES)
            return [BadFrame(reason, raw[at : at + MAX_FRAME_BYTES], chunk.channel) for at in pieces]
        return [self._value(raw, chunk.channel)]

    def _value(self, raw: bytes, channel: str) -> Decoded:
        if self._numbered and raw[0] != self._field.report:
            wanted = f"the value is in report {self._field.report}: set report at the link"
            return BadFrame(f"report {raw[0]}; {wanted}", raw, channel)
        if len(raw) != self._bytes:
            return BadFrame(f"a report of {len(raw)} bytes instead of {self._bytes}", raw, channel)
        logical = self._field.read(raw[self._numbered :])
        least, most = self._field.logical
        if not least <= logical <= most:
            # Null values lie outside the logical extents (6.2.2.5).
            return BadFrame(f"{logical} is outside {least} to {most}: the gauge has no value", raw, channel)
        scaled = self._field.value(logical) * self._factor * 10**self._decimals
        text = f"{Decimal(scaled.numerator).scaleb(-self._decimals):f}"
        return Indication(text, parse_number(text), self._unit, raw, channel)

    def idle(self, elapsed_s: float) -> list[Decoded]:
        """Return nothing: a report is whole, or no report."""
        return []

    def request(self, channel: str = "") -> bytes:
        """Return nothing: such a gauge sends on its own."""
        return b""

    def reset(self) -> list[Decoded]:
        """Return nothing: a report is whole, or no report."""
        return []
