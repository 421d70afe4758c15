"""What a station file says about a gauge that types, checked without touching a keyboard."""

from __future__ import annotations

import importlib.util
from typing import Literal, Self

from pydantic import Field, model_validator

from gaugepost_adapters.links.device_files import DeviceSettings
from gaugepost_adapters.links.wedge.layouts import LayoutName


class Settings(DeviceSettings):
    """Which keyboard a gauge is, and how it types. `usb` or `port` says which; `gaugepost devices` lists them."""

    layout: LayoutName = "us"
    """Keyboard layout that the gauge was set for: it sends keys, and this says which characters they are."""
    pad_decimal: Literal[".", ","] | None = None
    """What the decimal key of the numeric pad stands for; left out, as the layout has it."""
    num_lock: Literal["on", "off", "ignored"] = "on"
    """How NumLock stands when the link opens; its key then changes it, unless "ignored": the pad is always digits."""
    caps_lock: Literal["letters", "shift"] = "letters"
    """What Caps Lock does: it turns letters round, or all keys as if Shift were held."""
    ends_with: Literal["enter", "tab", "silence"] = "enter"
    """What ends a frame: a key, or that nothing more comes for `silence`."""
    silence: float = Field(default=0.5, gt=0, le=60)
    """Seconds without a key after which a frame has ended; without its key it is a bad frame."""
    longest_pause: float | None = Field(default=None, gt=0, le=60)
    """Seconds between two keys of a frame that no gauge takes; text with a longer pause was typed by hand: refused."""

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if self.longest_pause is not None and self.longest_pause >= self.silence:
            raise ValueError(
                f"longest_pause = {self.longest_pause:g} is no shorter than silence = {self.silence:g}, which ends the "
                "frame first; write a shorter one"
            )
        if importlib.util.find_spec("evdev") is None:
            raise ValueError(
                "keyboards need the package evdev-binary, which is not installed; write on a command line, in the "
                "environment of gaugepost: python -m pip install evdev-binary"
            )
        return self
