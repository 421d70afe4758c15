"""What a station file says about a gauge that sends HID reports, checked without touching one."""

from __future__ import annotations

from typing import Self

from pydantic import Field, field_validator, model_validator

from gaugepost.contract import AdapterSettings
from gaugepost_adapters.links.device_files import checked_port, checked_usb


class Settings(AdapterSettings):
    """Which HID device a gauge is. One of `usb` and `port` says which; `gaugepost devices` lists them."""

    usb: str | None = None
    """Device by "vendor:product" or "vendor:product:serial", the first two as four hexadecimal digits each."""
    port: str | None = None
    """Device by where it is plugged in, as "usb-0000:00:14.0-2", with "/input1" where it has several interfaces."""
    report: int | None = Field(default=None, ge=1, le=255)
    """Number of the report that is wanted, its first byte; others are passed over. Left out, every report counts."""
    descriptor: str | None = Field(default=None, pattern="[0-9a-f]{64}")
    """SHA-256 of the report descriptor, as `gaugepost devices` prints it; a device that has another is not opened."""

    @field_validator("usb")
    @classmethod
    def _usb_is_numbers(cls, usb: str | None) -> str | None:
        return checked_usb(usb)

    @field_validator("port")
    @classmethod
    def _port_is_one(cls, port: str | None) -> str | None:
        return checked_port(port)

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if (self.usb is None) == (self.port is None):
            raise ValueError('exactly one of usb and port says which device; write usb = "1a2b:0c0d:B0042"')
        return self
