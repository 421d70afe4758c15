"""What a station file may say about a gauge on Bluetooth LE, and what is said where the library is missing."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest
from pydantic import ValidationError

from gaugepost_adapters.links.bluetooth.settings import Settings

OWN = {"address": "00:00:5E:00:53:10", "values": "FFF1"}


def test_uuids_are_written_short_or_in_full() -> None:
    """The SIG's UUIDs are taken by their four or eight digits and meant in full: the service knows no other."""
    # Bluetooth Core Specification, Vol 3, Part B, 2.5.1 (from memory): xxxxxxxx-0000-1000-8000-00805F9B34FB.
    said = Settings.model_validate({**OWN, "service": "180f", "values": {"a": "0000FFF1", "b": "2A6E"}})
    assert said.service == "0000180f-0000-1000-8000-00805f9b34fb"
    assert said.values == {
        "a": "0000fff1-0000-1000-8000-00805f9b34fb",
        "b": "00002a6e-0000-1000-8000-00805f9b34fb",
    }


@pytest.mark.parametrize(
    ("said", "finding"),
    [
        ({"values": "FFF1"}, "one of address and name"),
        ({**OWN, "name": "x", "service": "180F"}, "one of address and name"),
        ({"name": "x", "values": "FFF1"}, "a name alone is not enough"),
        ({**OWN, "address": "00-00-5E-00-53-10"}, 'write it as "00:00:5E:00:53:10"'),
        ({**OWN, "values": "FFF"}, 'is no UUID; write "2A6E"'),
        ({**OWN, "values": {}}, "no characteristic is named"),
        ({**OWN, "values": "every", "told": "on-request"}, "what is read has to be named"),
        ({**OWN, "values": {"a": "FFF1", "b": "fff1"}}, "two channels have one characteristic"),
        ({**OWN, "told": "on-request", "requests": "FFF2"}, "takes no requests"),
        ({**OWN, "adapter": "usb0"}, 'write it as "hci0"'),
    ],
)
def test_what_can_not_be_meant_is_refused(said: dict[str, Any], finding: str) -> None:
    """Settings that contradict themselves, or bind no gauge for sure, are refused with what to write."""
    with pytest.raises(ValidationError, match=finding):
        Settings.model_validate(said)


def test_without_the_library_everything_says_what_to_install() -> None:
    """Without the library settings can still be read; check, opening and listing each say what to install."""
    code = """
import asyncio, importlib.util, sys
class Hidden:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("bleak", "dbus_fast"):
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
find = importlib.util.find_spec
importlib.util.find_spec = lambda name, package=None: None if name == "bleak" else find(name, package)
sys.meta_path.insert(0, Hidden())
from gaugepost_adapters.links.bluetooth.link import BluetoothLeLink
settings = BluetoothLeLink.Settings(address="00:00:5E:00:53:10", values="FFF1")
print([caution.write for caution in settings.cautions()])
for work in (lambda: asyncio.run(BluetoothLeLink(settings, None).open()), BluetoothLeLink.present):
    try:
        work()
    except Exception as error:
        print(type(error).__name__, error)
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    cautions, *errors = run.stdout.splitlines()
    assert "pip install 'bleak" in cautions
    assert len(errors) == 2
    for error in errors:
        assert error.startswith("LinkLost the library for Bluetooth is not installed (bleak)")
        assert "python -m pip install 'bleak" in error


def test_nobody_pays_for_the_library_who_does_not_use_it() -> None:
    """Importing the link, as a look at its settings does, imports no library for Bluetooth."""
    code = (
        "import gaugepost_adapters.links.bluetooth.link, sys\n"
        "print([name for name in ('bleak', 'dbus_fast') if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert run.stdout.strip() == "[]"
