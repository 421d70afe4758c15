"""`gaugepost devices --rules`: what device rules would do, on a machine of umockdev's and against udev itself."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugepost.edge.device_rules import read_rules
from tests.bench_tools.machine import Machine

EXAMPLE = Path(__file__).parents[2] / "deploy" / "device-rules" / "70-gaugepost.rules"

PLUGGED = """\
P: /devices/pci0000:00/usb1/1-4
E: SUBSYSTEM=usb
A: idVendor=1a2b
A: idProduct=0c0d
A: serial=B1
A: product=Bench Adapter
A: manufacturer=Own & Sons

P: /devices/pci0000:00/usb1/1-4/1-4:1.0
E: SUBSYSTEM=usb

P: /devices/pci0000:00/usb1/1-4/1-4:1.0/ttyUSB0/tty/ttyUSB0
N: ttyUSB0
E: DEVNAME=/dev/ttyUSB0
E: MAJOR=188
E: MINOR=0
E: SUBSYSTEM=tty

P: /devices/pci0000:00/usb1/1-5
E: SUBSYSTEM=usb
A: idVendor=1a2b
A: idProduct=0c0d

P: /devices/pci0000:00/usb1/1-5/1-5:1.0
E: SUBSYSTEM=usb

P: /devices/pci0000:00/usb1/1-5/1-5:1.0/ttyUSB1/tty/ttyUSB1
N: ttyUSB1
E: DEVNAME=/dev/ttyUSB1
E: MAJOR=188
E: MINOR=1
E: SUBSYSTEM=tty

P: /devices/pci0000:00/usb1/1-6
E: SUBSYSTEM=usb
A: idVendor=1a2b
A: idProduct=0c0e
A: serial=B8

P: /devices/pci0000:00/usb1/1-6/1-6:1.0/0003:1A2B:0C0E.0002
E: SUBSYSTEM=hid

P: /devices/pci0000:00/usb1/1-6/1-6:1.0/0003:1A2B:0C0E.0002/hidraw/hidraw0
N: hidraw0
E: DEVNAME=/dev/hidraw0
E: MAJOR=240
E: MINOR=0
E: SUBSYSTEM=hidraw

P: /devices/pci0000:00/usb1/1-2/1-2:1.0/input/input5
E: SUBSYSTEM=input
A: name=Bench Gauge
A: uniq=B7
A: id/vendor=1a2b
A: id/product=0c0d

P: /devices/pci0000:00/usb1/1-2/1-2:1.0/input/input5/event5
N: input/event5
E: DEVNAME=/dev/input/event5
E: MAJOR=13
E: MINOR=69
E: SUBSYSTEM=input

P: /devices/pci0000:00/usb1/1-2/1-2:1.0/input/input5/mouse0
N: input/mouse0
E: DEVNAME=/dev/input/mouse0
E: MAJOR=13
E: MINOR=32
E: SUBSYSTEM=input

P: /devices/virtual/tty/tty7
N: tty7
E: DEVNAME=/dev/tty7
E: MAJOR=4
E: MINOR=7
E: SUBSYSTEM=tty

"""
NODES = {
    "/dev/ttyUSB0": "pci0000:00/usb1/1-4/1-4:1.0/ttyUSB0/tty/ttyUSB0",
    "/dev/ttyUSB1": "pci0000:00/usb1/1-5/1-5:1.0/ttyUSB1/tty/ttyUSB1",
    "/dev/hidraw0": "pci0000:00/usb1/1-6/1-6:1.0/0003:1A2B:0C0E.0002/hidraw/hidraw0",
    "/dev/input/event5": "pci0000:00/usb1/1-2/1-2:1.0/input/input5/event5",
}

HARD = r"""
# Each line another thing that the language can say.
SUBSYSTEM=="tty", KERNEL=="ttyUSB[0-9]|ttyACM*", ATTRS{idVendor}=="1a2b", ATTRS{serial}=="B1", SYMLINK+="g/left g/%k", \
    GROUP="dialout", MODE="0660"
SUBSYSTEM=="tty", ATTRS{idVendor}=="1a2b", ATTRS{serial}!="B1", SYMLINK+="g/other-$number"
SUBSYSTEM=="tty", KERNELS=="1-5:1.0", SYMLINK+="g/right", MODE:="0600"
SUBSYSTEM=="tty", SUBSYSTEMS=="usb", KERNELS=="1-4", ATTRS{idProduct}=="0c0?", \
    SYMLINK+="g/$attr{serial} g/$attr{manufacturer}", MODE="0640"
SUBSYSTEM=="hidraw", KERNELS=="*:1A2B:0C0E.*", ATTRS{idVendor}=="1a2b", SYMLINK+="g/never-two-parents"
SUBSYSTEM=="hidraw", KERNELS=="*:1A2B:0C0E.*", SYMLINK+="g/hid%n", GROUP="input"
SUBSYSTEM=="input", ATTRS{id/vendor}=="1a2b", ATTRS{uniq}=="B?", SYMLINK+="g/typed", SYMLINK+="g/t%%"
ACTION=="remove", SYMLINK+="g/gone"
ENV{DEVNAME}=="/dev/ttyUSB1", SYMLINK+="g/by-env"
KERNEL!="ttyUSB*", SUBSYSTEM!="input", SYMLINK="g/only"
SUBSYSTEM=="tty", GROUP="tty"
"""


@pytest.fixture
def machine() -> Iterator[Machine]:
    """A machine with two serial adapters, a HID gauge, one that types, and a terminal of its own."""
    machine = Machine()
    machine.do("add", "", description=PLUGGED)
    yield machine
    machine.close()


def dry_run(machine: Machine, rules: Path, *, code: int) -> dict[str, dict[str, Any]]:
    """Return what the command says of each device, by its node."""
    done = machine.run("-m", "gaugepost", "devices", "--rules", str(rules), "--json")
    assert done.returncode == code, done.stdout + done.stderr
    return {said["device"]: said for said in map(json.loads, done.stdout.splitlines())}


def test_lines_to_write_are_lines_that_work(machine: Machine, tmp_path: Path) -> None:
    """Without a rule each device gets a line; written, it fits its device alone, and nothing is left to write."""
    rules = tmp_path / "70-gaugepost.rules"
    rules.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    before = dry_run(machine, rules, code=1)
    assert before.keys() == NODES.keys()
    assert all(said["lines"] == [] for said in before.values())
    lines = [said["write"] for said in before.values()]
    assert len(set(lines)) == len(NODES)
    assert 'ATTRS{serial}=="B1"' in before["/dev/ttyUSB0"]["write"]
    assert 'KERNELS=="1-5:1.0"' in before["/dev/ttyUSB1"]["write"], "it has no number: its place tells it"
    with rules.open("a", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")
    after = dry_run(machine, rules, code=0)
    names = [name for said in after.values() for name in said["names"]]
    assert len(set(names)) == len(NODES)
    for said in after.values():
        assert (len(said["lines"]), said["group"], said["mode"], said["write"]) == (
            1,
            "gaugepost",
            "0660",
            None,
        )


def test_the_examples_in_deploy_do_what_they_say(machine: Machine, tmp_path: Path) -> None:
    """Each example line, with its mark of a comment taken off, gives a gauge to the group, some with a lasting name."""
    text = re.sub(r"^#(?=SUBSYSTEM)", "", EXAMPLE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    rules = tmp_path / "70-gaugepost.rules"
    rules.write_text(text.replace("0C0D", "0C0E"), encoding="utf-8")
    said = dry_run(machine, rules, code=0)
    assert {each["group"] for each in said.values()} == {"gaugepost"}
    assert said["/dev/ttyUSB0"]["names"] == ["/dev/gaugepost/bore-left", "/dev/gaugepost/bore-right"]


@pytest.mark.parametrize(
    ("line", "finding", "write"),
    [
        ('SUBSYSTEM="tty", GROUP="x"', "SUBSYSTEM is a condition", 'write SUBSYSTEM=="tty"'),
        ('SUBSYSTEM=="tty", GROUP=="x"', "GROUP is something that follows", 'write GROUP="x"'),
        ('SUBSYSTEM=="tty" GRUOP="x"', "there is no key GRUOP", "keys are"),
        ("SUBSYSTEM==tty", "is no part of a rule", 'KEY=="value"'),
        ('ATTRS=="1a2b"', "ATTRS names nothing", "ATTRS{idVendor}"),
        ('SUBSYSTEM=="tty", SYMLINK-="x"', "nothing can be taken from SYMLINK", "leave it out"),
        ('SUBSYSTEM=="tty", MODE="rw"', "is no mode", 'MODE="0660"'),
    ],
)
def test_a_line_that_is_no_rule_is_told(line: str, finding: str, write: str) -> None:
    """Mistakes are found with their line, and what to write."""
    rules, (found,) = read_rules(f'# first\nSUBSYSTEM=="tty", MODE="0660"\n{line}\n')
    assert len(rules) == 1
    assert found.line == 3
    assert finding in found.finding
    assert write in found.write


def test_what_only_udev_knows_is_not_guessed(machine: Machine, tmp_path: Path) -> None:
    """A rule on what udev finds out by itself, or by a program, is named as not tried, and nothing follows of it."""
    rules = tmp_path / "x.rules"
    rules.write_text(
        'SUBSYSTEM=="tty", ENV{ID_SERIAL_SHORT}=="B1", GROUP="a"\nSUBSYSTEM=="tty", PROGRAM=="/bin/x", GROUP="b"\n'
    )
    said = dry_run(machine, rules, code=1)["/dev/ttyUSB0"]
    assert (said["lines"], said["group"]) == ([], None)
    assert [re.sub(r":.*", "", note) for note in said["notes"]] == [
        "line 1 might fit, and depends on ENV{ID_SERIAL_SHORT}",
        "line 2 might fit, and depends on PROGRAM",
    ]


def test_two_gauges_with_one_name_and_a_group_that_nobody_made(machine: Machine, tmp_path: Path) -> None:
    """A name that several devices would get is said, and a group that this computer lacks, with what to type."""
    rules = tmp_path / "x.rules"
    rules.write_text('SUBSYSTEM=="tty", SUBSYSTEMS=="usb", SYMLINK+="g/one", GROUP="nobody-made-it"\n')
    done = machine.run("-m", "gaugepost", "devices", "--rules", str(rules))
    assert done.returncode == 1
    assert done.stdout.count("/dev/g/one is given to several devices") == 2
    assert "groupadd --system nobody-made-it" in done.stdout


_SCRIPT = """
set -e
mount --make-rprivate /
mount --bind "$RULES" /etc/udev/rules.d
for place in /usr/lib/udev/rules.d /run; do mount -t tmpfs tmpfs $place; done
# What udev would do to this computer's devices it does to a folder.
mkdir /run/dev && touch /run/dev/null && mount --bind /dev/null /run/dev/null
mount --rbind /run/dev /dev
exec udevadm test "$1"
"""


@pytest.mark.attack
def test_it_says_what_udev_does(machine: Machine, tmp_path: Path) -> None:
    """Over everything that the language can say, names, group and mode are those that udevadm test comes to."""
    folder = tmp_path / "rules"
    folder.mkdir()
    rules = folder / "70-hard.rules"
    rules.write_text(HARD, encoding="utf-8")
    ours = dry_run(machine, rules, code=0)
    for node, place in NODES.items():
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-c", _SCRIPT, "sh", f"/sys/devices/{place}"],
            env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", **machine.env, "RULES": str(folder)},
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        told = done.stdout + done.stderr
        assert f"DEVNAME={node}" in told, told
        links = re.search(r"^DEVLINKS=(.*)$", told, re.MULTILINE)
        assert sorted(ours[node]["names"]) == sorted(links[1].split() if links else []), told
        assert [int(line) for line in re.findall(r"hard.rules:(\d+) LINK", told)] or not links
        modes = re.findall(r"hard.rules:\d+ MODE (\d+)", told)
        assert ours[node]["mode"] == (modes[-1] if modes else None), told
        groups = re.findall(r"hard.rules:\d+ GROUP (\d+)", told)
        assert _number(ours[node]["group"]) == (groups[-1] if groups else None), told


def _number(group: str | None) -> str | None:
    import grp

    return str(grp.getgrnam(group).gr_gid) if group else None
