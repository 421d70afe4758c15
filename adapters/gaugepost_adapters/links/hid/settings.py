"""What a station file says about a gauge that sends HID reports, checked without touching one."""

from __future__ import annotations

from pydantic import Field

from gaugepost_adapters.links.device_files import DeviceSettings


class Settings(DeviceSettings):
    """Which HID device a gauge is. One of `usb` and `port` says which; `gaugepost devices` lists them."""

    report: int | None = Field(default=None, ge=1, le=255)
    """Number of the report that is wanted, its first byte; others are passed over. Left out, every report counts."""
    descriptor: str | None = Field(default=None, pattern="[0-9a-f]{64}")
    """SHA-256 of the report descriptor, as `gaugepost devices` prints it; a device that has another is not opened."""
