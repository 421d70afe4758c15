"""Masters without a certificate: what their class says of their size."""

from gaugepost.core.masters.classes import CLASSES as CLASSES, half_tolerance_mm as half_tolerance_mm
