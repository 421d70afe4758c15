"""What is known today to have been otherwise than the station file said: a certificate, a thermometer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal

from gaugepost.core.errors import ValueRefused
from gaugepost.core.quantity import exact_text, parse_number
from gaugepost.core.setup import MasterEntry, SetUp

_MASTER_KEYS = {"size": "mm", "uncertainty": "mm", "coverage_factor": ""}
_THERMOMETER_KEYS = {"correction": "K"}


@dataclass(frozen=True, slots=True)
class Revision:
    """Corrected values, by master or thermometer and key; as if they had been so from the beginning.

    Lengths in mm. A thermometer's correction is the number of kelvin that is added to what it showed (VIM 2.53).
    """

    masters: Mapping[str, Mapping[str, Decimal]] = field(default_factory=dict)
    thermometers: Mapping[str, Decimal] = field(default_factory=dict)

    def __bool__(self) -> bool:
        """Whether anything is corrected."""
        return bool(self.masters or self.thermometers)

    def and_then(self, later: Revision) -> Revision:
        """Return both together; where both say something of the same key, the later one counts."""
        names = [*self.masters, *(name for name in later.masters if name not in self.masters)]
        masters = {name: {**self.masters.get(name, {}), **later.masters.get(name, {})} for name in names}
        return Revision(masters, {**self.thermometers, **later.thermometers})

    def texts(self) -> tuple[str, ...]:
        """Return it as records keep it, sorted: "masters.ring-38.size = 38.0009 mm"."""
        said = [
            f"masters.{name}.{key} = {exact_text(value)} {_MASTER_KEYS[key]}".rstrip()
            for name, keys in self.masters.items()
            for key, value in keys.items()
        ]
        said += [
            f"thermometers.{name}.correction = {value:+f} K" for name, value in self.thermometers.items()
        ]
        return tuple(sorted(said))

    def of(self, set_up: SetUp) -> SetUp:
        """Return the set-up as it should have been; masters that it does not have are left out."""
        if not self.masters:
            return set_up
        known = {
            name: _revised(entry, self.masters[name]) if name in self.masters else entry
            for name, entry in set_up.masters.items()
        }
        return replace(set_up, masters=known)

    def celsius(self, shown: Decimal, thermometer: str) -> Decimal:
        """Return what a thermometer should have shown, in °C."""
        return shown + self.thermometers.get(thermometer, Decimal(0))


def _revised(entry: MasterEntry, keys: Mapping[str, Decimal]) -> MasterEntry:
    factor = keys.get("coverage_factor", entry.coverage_factor)
    if factor is None and "uncertainty" in keys:
        factor = Decimal(2)
    return replace(
        entry,
        size_mm=keys.get("size", entry.size_mm),
        uncertainty_mm=keys.get("uncertainty", entry.uncertainty_mm),
        coverage_factor=factor,
    )


def revision_of(texts: Iterable[str]) -> Revision:
    """Return what `Revision.texts` wrote.

    Raises:
        ValueRefused: anything else.
    """
    masters: dict[str, dict[str, Decimal]] = {}
    thermometers: dict[str, Decimal] = {}
    for text in texts:
        named, _, said = text.rpartition(" = ")
        section, _, rest = named.partition(".")
        name, _, key = rest.rpartition(".")
        keys = {"masters": _MASTER_KEYS, "thermometers": _THERMOMETER_KEYS}.get(section, {})
        number, _, unit = said.partition(" ")
        if not name or keys.get(key) != unit:
            raise ValueRefused(
                f"{text!r} corrects nothing that is known here", hint="see deploy/vocabulary.md"
            )
        if section == "masters":
            masters.setdefault(name, {})[key] = parse_number(number)
        else:
            thermometers[name] = parse_number(number)
    return Revision(masters, thermometers)
