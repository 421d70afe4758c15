"""A machine of umockdev's: devices that only processes started under it can see. Run by the system's Python.

Obeys one line of JSON at a time on stdin and answers each with one on stdout; the first line it says is its folder.
"""

import errno
import json
import os
import sys
from typing import Any

import gi  # type: ignore[import-not-found]

gi.require_version("UMockdev", "1.0")
from gi.repository import UMockdev  # type: ignore[import-not-found]  # noqa: E402

EV_BITS = 1 << 0 | 1 << 1 | 1 << 17  # EV_SYN, EV_KEY, EV_LED
KEY_BITS = sum(1 << key for key in range(1, 128))
_NR_MASK, _SIZE_SHIFT, _SIZE_MASK = 0xFF, 16, 0x3FFF


class Keyboard(UMockdev.IoctlBase):  # type: ignore[misc]
    """Answers as the kernel's evdev does (linux/input.h); a grab is exclusive among the processes that look."""

    def __init__(self) -> None:
        super().__init__()
        self.holder: Any = None

    def do_handle_ioctl(self, client: Any) -> bool:
        """Answer one request."""
        request = client.get_request()
        number, size = request & _NR_MASK, request >> _SIZE_SHIFT & _SIZE_MASK
        if number == 0x90:  # EVIOCGRAB
            if self.holder not in (None, client) and self.holder.get_connected():
                client.complete(-1, errno.EBUSY)
                return True
            self.holder = client
            client.complete(0, 0)
            return True
        answers = {
            0x01: (0x010001).to_bytes(4, "little"),
            0x02: b"\x03\x00\x2b\x1a\x0d\x0c\x01\x00",
            0x06: b"Bench Gauge\0",
            0x07: b"usb-0000:00:14.0-2/input0\0",
            0x08: b"B7\0",
            0x20: EV_BITS.to_bytes(8, "little"),
            0x21: KEY_BITS.to_bytes(96, "little"),
            0x31: b"\x07",
            0x84: bytes(4),
            0x18: bytes(96),
        }
        if number not in answers:
            client.complete(-1, errno.ENOTTY)
            return True
        data = answers[number][:size].ljust(size, b"\0")
        client.get_arg().resolve(0, size).update(0, data)
        client.complete(len(data), 0)
        return True


def _reporting(event: str, descriptor: str) -> str:
    """Describe a HID device whose reports programs read."""
    said = "HID_ID=0003:00001A2B:00000C0E\\nHID_NAME=Bench Probe\\nHID_PHYS=usb-1/input0\\nHID_UNIQ=B8\\n"
    return f"""P: /devices/pci0000:00/usb1/1-3/{event}
N: {event}
E: DEVNAME=/dev/{event}
E: SUBSYSTEM=hidraw
A: device/uevent={said}
H: device/report_descriptor={descriptor.upper()}

"""


def _typing(event: str) -> str:
    """Describe a keyboard."""
    key = " ".join(f"{KEY_BITS >> shift & (1 << 64) - 1:x}" for shift in (64, 0))
    return f"""P: /devices/pci0000:00/usb1/1-2/input/input5/{event}
N: input/{event}
E: DEVNAME=/dev/input/{event}
E: SUBSYSTEM=input
A: device/name=Bench Gauge
A: device/phys=usb-0000:00:14.0-2/input0
A: device/uniq=B7
A: device/id/vendor=1a2b
A: device/id/product=0c0d
A: device/capabilities/key={key}

"""


def _serial(name: str) -> str:
    """Describe a USB adapter with a serial port, which is a pseudo-terminal."""
    return f"""P: /devices/pci0000:00/usb1/1-4
E: DEVTYPE=usb_device
E: SUBSYSTEM=usb
A: idVendor=1a2b
A: idProduct=0c0f
A: serial=B9
A: product=Bench Adapter
A: bNumInterfaces= 1
A: busnum=1
A: devnum=4

P: {_INTERFACE}
E: DEVTYPE=usb_interface
E: SUBSYSTEM=usb
A: bInterfaceNumber=00

P: {_INTERFACE}/{name}
E: SUBSYSTEM=usb-serial

P: {_INTERFACE}/{name}/tty/{name}
N: {name}
E: DEVNAME=/dev/{name}
E: SUBSYSTEM=tty
L: device=../../../{name}

"""


_INTERFACE = "/devices/pci0000:00/usb1/1-4/1-4:1.0"


def main() -> None:
    """Obey until stdin ends."""
    testbed = UMockdev.Testbed.new()
    print(json.dumps(testbed.get_root_dir()), flush=True)
    handlers: dict[str, Keyboard] = {}
    for line in sys.stdin:
        order = json.loads(line)
        event = order["event"]
        place = f"/dev/input/{event}" if event.startswith("event") else f"/dev/{event}"
        if order["do"] == "add":
            testbed.add_from_string(order["description"])
        elif order["do"] == "plug" and event.startswith("tty"):
            testbed.add_from_string(_serial(event))
        elif order["do"] == "unplug" and event.startswith("tty"):
            os.close(testbed.get_dev_fd(place))
            testbed.remove_device(f"/sys{_INTERFACE}/{event}/tty/{event}")
        elif order["do"] == "plug" and "descriptor" in order:
            testbed.add_from_string(_reporting(event, order["descriptor"]))
        elif order["do"] == "plug":
            testbed.add_from_string(_typing(event))
            handlers[event] = Keyboard()
            testbed.attach_ioctl(place, handlers[event])
        elif order["do"] == "type":
            os.write(testbed.get_dev_fd(place), bytes.fromhex(order["bytes"]))
        elif order["do"] == "unplug":
            testbed.detach_ioctl(place)
            os.close(testbed.get_dev_fd(place))
            testbed.remove_device(f"/sys/devices/pci0000:00/usb1/1-2/input/input5/{event}")
        print(json.dumps("done"), flush=True)


if __name__ == "__main__":
    main()
