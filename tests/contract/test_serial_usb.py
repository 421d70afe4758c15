"""A USB adapter keeps its identity: found by what it is, or by its socket, whatever number the system gave it."""

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from gaugepost.contract import LinkLost, Moment
from gaugepost_adapters.links.serial.port import SerialPortLink
from gaugepost_adapters.links.serial.usb import find_usb
from tests.bench_tools.far_sides import Pty


def _usb(
    device: str,
    number: str | None,
    vendor: int = 0x1A2B,
    product: int = 0x0C0D,
    location: str | None = None,
) -> ListPortInfo:
    port = ListPortInfo(device)
    port.vid, port.pid, port.serial_number, port.location = vendor, product, number, location
    return port


def test_a_usb_adapter_is_found_by_its_numbers() -> None:
    """Vendor, product and serial number find the one port that has them, in upper or lower case."""
    ports = [_usb("/dev/ttyUSB1", "B2"), _usb("/dev/ttyUSB0", "B1"), _usb("/dev/ttyACM0", "B1", 0x1234)]
    ports.append(ListPortInfo("/dev/ttyS0"))
    assert find_usb("1A2B:0C0D:B2", None, ports) == "/dev/ttyUSB1"
    assert find_usb("1234:0c0d", None, ports) == "/dev/ttyACM0"


def test_an_adapter_that_is_not_plugged_in_is_told_with_those_that_are() -> None:
    """No match names what is plugged in, ready to be written into the station file."""
    with pytest.raises(LinkLost, match=r'no adapter ffff:0001 .* "1a2b:0c0d:B1" at /dev/ttyUSB0'):
        find_usb("ffff:0001", None, [_usb("/dev/ttyUSB0", "B1")])
    with pytest.raises(LinkLost, match="no USB serial adapter"):
        find_usb("ffff:0001", None, [])


def test_two_adapters_alike_are_never_guessed_between() -> None:
    """Two matches are an error that names both by their serial numbers."""
    with pytest.raises(LinkLost, match=r"2 adapters .* by its serial number.*:B1.*ttyUSB0.*:B2.*ttyUSB1"):
        find_usb("1a2b:0c0d", None, [_usb("/dev/ttyUSB0", "B1"), _usb("/dev/ttyUSB1", "B2")])


@pytest.mark.parametrize("number", [None, "0001"])
def test_adapters_without_a_number_of_their_own_go_by_their_socket(number: str | None) -> None:
    """Where no serial number tells two apart, the error says which sockets to write, and the socket then decides."""
    usb = "1a2b:0c0d" + (f":{number}" if number else "")
    left = _usb("/dev/ttyUSB0", number, location="1-1.3")
    right = _usb("/dev/ttyUSB1", number, location="1-1.4")
    with pytest.raises(
        LinkLost, match=r'usb_port = .*ttyUSB0, usb_port = "1-1.3"; .*ttyUSB1, usb_port = "1-1.4"'
    ):
        find_usb(usb, None, [left, right])
    assert find_usb(usb, "1-1.4", [left, right]) == "/dev/ttyUSB1"
    # Plugged in again the other way round, the system counts anew; the sockets stay.
    left.device, right.device = right.device, left.device
    assert find_usb(usb, "1-1.4", [left, right]) == "/dev/ttyUSB0"
    with pytest.raises(LinkLost, match=r'at usb_port .1-9.; plug it in there, .*"1-1.3"'):
        find_usb(usb, "1-9", [left, right])


def test_the_ports_of_one_adapter_go_by_their_number_on_it() -> None:
    """Several ports with one serial number are told apart by the number of the interface behind the socket."""
    ports = [_usb(f"/dev/ttyUSB{at}", "Q7", location=f"1-2:1.{at}") for at in range(4)]
    with pytest.raises(LinkLost, match=r'4 adapters .* usb_port = "1-2:1.3"'):
        find_usb("1a2b:0c0d:Q7", None, ports)
    assert find_usb("1a2b:0c0d:Q7", "1-2:1.2", ports) == "/dev/ttyUSB2"


@pytest.mark.asyncio
async def test_a_link_by_usb_opens_the_port_it_finds(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the system lists is what is opened, looked up anew at each opening."""
    settings = SerialPortLink.Settings.model_validate({"usb": "1a2b:0c0d:B1"})
    link = SerialPortLink(settings, lambda: Moment(0, 0, ""))
    with Pty() as first, Pty() as second:
        for pty in (first, second):
            monkeypatch.setattr(list_ports, "comports", lambda path=pty.path: [_usb(path, "B1")])
            await link.open()
            assert pty.path in link.describe()
            await pty.say(b"here")
            assert (await anext(aiter(link.chunks()))).data == b"here"
            await link.close()
