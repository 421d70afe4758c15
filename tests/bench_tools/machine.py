"""A machine of umockdev's with gauges that type or send reports, for daemons that run on it unchanged."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from evdev import ecodes

from tests.bench_tools.keyboard import Keyboard

_OBEYS = Path(__file__).with_name("umockdev_machine.py")


class Machine:
    """Devices of a machine that processes with `env` live on."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            ["umockdev-wrapper", "/usr/bin/python3", str(_OBEYS)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._typing = Keyboard()
        self.env = {"UMOCKDEV_DIR": self._answer(), "LD_PRELOAD": "libumockdev-preload.so.0"}

    def _answer(self) -> Any:
        assert self._process.stdout is not None
        return json.loads(self._process.stdout.readline())

    def do(self, what: str, event: str, **more: str) -> None:
        """Have the machine do something."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"do": what, "event": event, **more}) + "\n")
        self._process.stdin.flush()
        assert self._answer() == "done"

    def type(self, event: str, digits: str) -> None:
        """Type digits on the pad, whose decimal key is a comma here, and its Enter."""
        self.press(event, *[_PAD[digit] for digit in digits], ecodes.KEY_KPENTER)

    def press(self, event: str, *codes: int) -> None:
        """Press and release keys."""
        strokes = [(code, value) for code in codes for value in (1, 0)]
        self.do("type", event, bytes=self._typing.keys(*strokes).hex())

    def send(self, port: str, data: bytes) -> None:
        """Have what is plugged in as a serial port send bytes."""
        self.do("type", port, bytes=data.hex())

    def run(self, *words: str, **env: str) -> subprocess.CompletedProcess[str]:
        """Run a program of ours on this machine."""
        return subprocess.run(
            [sys.executable, *words],
            env={**os.environ, **self.env, **env},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    def close(self) -> None:
        """Switch it off."""
        self._process.communicate(timeout=60)
        self._typing.close()


_PAD = {digit: getattr(ecodes, f"KEY_KP{digit}") for digit in "0123456789"} | {",": ecodes.KEY_KPDOT}
