"""The invented shop: its rings, its instruments, and its valve bodies with their true sizes."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from importlib import resources
from pathlib import Path
from string import Template

from gaugepost.demo.players import ALUMINIUM, GAUGE_STEEL, Body, BoreGauge, Port, Thermometer

AIR_C = 23.40
MM_PER_INCH = 25.4
RING_38_MM = 38.0012
RING_750_IN = 0.75010
SERIALS = {"ring-38": "DR-0417", "ring-750": "DR-0586"}
OPERATOR, LOT = "op-17", "VB-2207"
SPOOL_MM = (38.000, 38.025)
GUIDE_IN = (0.7500, 0.7508)
SPOOL_STEP_MM, GUIDE_STEP_IN = 0.001, 0.00005
"""Limits of the drawing and steps of the displays, as in station.toml."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A valve body: its two bores' true sizes at 20 °C, and how warm it is when it is measured."""

    name: str
    spool_mm: float
    guide_in: float
    celsius: float

    @property
    def spool_bore(self) -> Body:
        """The bore of 38 H7."""
        return Body(self.spool_mm, ALUMINIUM, self.celsius)

    @property
    def guide_bore(self) -> Body:
        """The bore of 0.75 in."""
        return Body(self.guide_in * MM_PER_INCH, ALUMINIUM, self.celsius)

    @property
    def verdicts(self) -> dict[str, str]:
        """What is true of each bore."""
        return {
            "spool-bore": _side(self.spool_mm, SPOOL_MM),
            "guide-bore": _side(self.guide_in, GUIDE_IN),
        }


LOT_OF_SIX = (
    Piece("1", 38.0124, 0.75034, 24.10),
    Piece("2", 37.9988, 0.75051, 24.25),
    Piece("3", 38.0187, 0.75103, 24.05),
    Piece("4", 38.0238, 0.74991, 24.15),
    Piece("5", 38.0271, 0.75077, 23.95),
    Piece("6", 38.0093, 0.75022, 24.20),
)
"""Piece 2 shows a size inside on the display, piece 4 one outside: it is the other way round at 20 °C. Piece 5's guide
bore is in limits, nearer to one than the uncertainty of its measurement."""


def more_pieces() -> Iterator[Piece]:
    """Yield further pieces without end, the same in every run, none so near a limit that a display's step decides."""
    chance = random.Random(38)  # noqa: S311 - sizes of invented parts
    number = len(LOT_OF_SIX)
    while True:
        spool, guide = chance.gauss(38.0130, 0.0060), chance.gauss(0.75040, 0.00020)
        near = [abs(spool - limit) < 2 * SPOOL_STEP_MM for limit in SPOOL_MM]
        near += [abs(guide - limit) < 2 * GUIDE_STEP_IN for limit in GUIDE_IN]
        if not any(near):
            number += 1
            yield Piece(str(number), round(spool, 4), round(guide, 5), round(chance.uniform(23.9, 24.3), 2))


class Shop:
    """Rings and instruments at the bench, everything at the air's temperature but the parts."""

    def __init__(self) -> None:
        self.ring_38 = Body(RING_38_MM, GAUGE_STEEL, AIR_C)
        self.ring_750 = Body(RING_750_IN * MM_PER_INCH, GAUGE_STEEL, AIR_C)
        self.bore_38 = BoreGauge(Port(), "{:+08.3f} mm\r\n", step="0.001", mm_per_unit=1.0, zero_mm=0.0021)
        self.bore_750 = BoreGauge(
            Port(), "D {:+08.5f} in\r\n", step="0.00005", mm_per_unit=MM_PER_INCH, zero_mm=0.0
        )
        self.thermometer = Thermometer(Port())
        self.bore_38.celsius = self.bore_750.celsius = AIR_C

    def write_station(self, folder: Path, port: int, more: str = "") -> Path:
        """Write the station file that describes this bench into `folder`, and return its path."""
        template = resources.files("gaugepost.demo").joinpath("station.toml").read_text(encoding="utf-8")
        filled = Template(template).substitute(
            port=port,
            port_a=self.bore_38.port.device,
            port_b=self.bore_750.port.device,
            port_c=self.thermometer.port.device,
            due=date.today() + timedelta(days=200),  # noqa: DTZ011 - a certificate's date has no zone
        )
        path = folder / "station.toml"
        path.write_text(filled + more, encoding="utf-8")
        return path

    def close(self) -> None:
        """Unplug everything."""
        for instrument in (self.bore_38, self.bore_750, self.thermometer):
            instrument.port.close()


def _side(size: float, limits: tuple[float, float]) -> str:
    return "undersize" if size < limits[0] else "oversize" if size > limits[1] else "in-limits"
