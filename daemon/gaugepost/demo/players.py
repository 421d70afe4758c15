"""Simulated instruments. Each sends its frames through a pseudo-terminal, where the daemon's serial port reads them.

What an instrument shows comes from physics in floating point, written down here on its own: bodies grow, displays
round. The daemon's correction is not used, so that what it finds can be held against the true size.
"""

from __future__ import annotations

import os
import pty
import time
import tty
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

APART_S = 0.4
"""A person does not squeeze twice within this time; the daemon takes the same digits sooner for one send, doubled."""


@dataclass(frozen=True, slots=True)
class Body:
    """A ring or a bore: true diameter at 20 °C in mm, coefficient of expansion in 1/K, temperature in °C."""

    size_mm: float
    coefficient: float
    celsius: float

    @property
    def now_mm(self) -> float:
        """Its diameter at its temperature."""
        return self.size_mm * (1 + self.coefficient * (self.celsius - 20))


class Port:
    """One end of a pseudo-terminal; the daemon opens the other, `device`, as a serial port."""

    def __init__(self) -> None:
        self._ours, self._theirs = pty.openpty()
        tty.setraw(self._theirs)
        self.device = os.ttyname(self._theirs)
        self._last, self._sent_at = b"", 0.0

    def send(self, frame: bytes, *, at_once: bool = False) -> None:
        """Send a frame; the same one as before not sooner than a person could, unless `at_once`."""
        if frame == self._last and not at_once:
            time.sleep(max(0.0, APART_S - (time.monotonic() - self._sent_at)))
        os.write(self._ours, frame)
        self._last, self._sent_at = frame, time.monotonic()

    def close(self) -> None:
        """Unplug it."""
        os.close(self._ours)
        os.close(self._theirs)


class BoreGauge:
    """A bore gauge of steel, in mm or inches, that shows diameters or differences from the ring it was set on."""

    def __init__(self, port: Port, frame: str, *, step: str, mm_per_unit: float, zero_mm: float) -> None:
        self.port = port
        self._frame, self._step, self._mm_per_unit = frame, Decimal(step), mm_per_unit
        self._zero_mm = zero_mm
        self.celsius = 20.0

    def set_to_zero(self, ring: Body, off_by_mm: float) -> None:
        """Set the display to zero on a ring, as well as a hand can."""
        self._zero_mm = off_by_mm - self._span_mm(ring)

    def frame(self, body: Body, moved_mm: float = 0.0) -> bytes:
        """Return what it sends when squeezed in `body`, or with the contacts `moved_mm` further apart."""
        steps = (self._span_mm(body) + self._zero_mm + moved_mm) / self._mm_per_unit / float(self._step)
        # The 0.0 added below turns a zero from the left into a plain one: no display shows -0.
        shown = Decimal(steps).quantize(Decimal(1), ROUND_HALF_UP) * self._step
        return self._frame.format(float(shown) + 0.0).encode("ascii")

    def squeeze(self, body: Body, moved_mm: float = 0.0) -> None:
        """Send what it shows in `body`."""
        self.port.send(self.frame(body, moved_mm))

    def squeeze_twice(self, body: Body) -> None:
        """Send it twice at once, as a worn foot switch does."""
        self.squeeze(body)
        self.port.send(self.frame(body), at_once=True)

    def _span_mm(self, body: Body) -> float:
        """What its own scale, which grows with it, reads over a body's diameter."""
        return body.now_mm / (1 + GAUGE_STEEL * (self.celsius - 20))


class Thermometer:
    """A box with two probes: A in the air at the bench, P on the part."""

    def __init__(self, port: Port) -> None:
        self.port = port

    def show(self, probe: str, celsius: float) -> None:
        """Send one probe's temperature, to 0.01 °C."""
        self.port.send(f"{probe} {celsius:+06.2f} C\r\n".encode("ascii"))


GAUGE_STEEL = 11.5e-6
ALUMINIUM = 23.1e-6
"""Coefficients of expansion in 1/K; the station file names the same materials."""
