"""What the link to a gauge that types promises: the kit, and its words when a keyboard is missing, held or gone."""

import asyncio
import os
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from evdev import ecodes
from pydantic import ValidationError

from gaugepost.contract import Chunk, Link, LinkLost, Moment
from gaugepost.contract.kit import links
from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.wedge import opening, settings
from gaugepost_adapters.links.wedge.link import KeyboardWedgeLink
from tests.bench_tools.keyboard import EVENT, Keyboard, Machine, alphabet

USB = "1a2b:0c0d:B7"


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Machine:
    """A machine to plug keyboards into, where nothing needs to settle."""
    monkeypatch.setattr(opening, "SETTLE_S", 0.0)
    return Machine(tmp_path, monkeypatch)


@pytest.fixture
def gauge(machine: Machine) -> Iterator[Keyboard]:
    """A keyboard that is plugged in."""
    keyboard = Keyboard()
    machine.plug("event5", keyboard.path)
    yield keyboard
    keyboard.close()


def _link(**given: object) -> KeyboardWedgeLink:
    # Long enough that no slow machine ends a frame.
    said = {"silence": 60, **({} if "port" in given else {"usb": USB}), **given}
    return KeyboardWedgeLink(settings.Settings.model_validate(said), lambda: Moment(0, 0, ""))


async def _chunks(link: KeyboardWedgeLink, count: int) -> list[Chunk]:
    taken: list[Chunk] = []
    async with asyncio.timeout(60):
        async for chunk in link.chunks():
            taken.append(chunk)
            if len(taken) == count:
                break
    return taken


async def _typed(gauge: Keyboard, data: bytes, count: int = 1, **given: object) -> list[tuple[bytes, str]]:
    link = _link(**given)
    await link.open()
    try:
        await gauge.raw(data)
        return [(chunk.data, chunk.fault) for chunk in await _chunks(link, count)]
    finally:
        await link.close()


@pytest.mark.asyncio
async def test_a_keyboard_keeps_the_contract(machine: Machine) -> None:
    """A gauge that types keeps every promise of the kit that a far side without ears can hold it to."""
    number = iter(range(1000))

    @asynccontextmanager
    async def bench(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
        keyboard, event = Keyboard(), f"event{next(number)}"
        machine.plug(event, keyboard.path)
        link = KeyboardWedgeLink(settings.Settings(usb=USB, silence=60), now)
        try:
            yield link, keyboard
        finally:
            await link.close()
            keyboard.close()
            machine.unplug(event)

    await links.check_link(bench, burst=10_000, can_hear=False, alphabet=alphabet())


@pytest.mark.asyncio
async def test_a_keyboard_that_is_not_there_is_told_with_those_that_are(
    machine: Machine, gauge: Keyboard
) -> None:
    """No match names what is plugged in, as the station file writes it; the kit's check of an absence holds."""
    absent = _link(usb="ffff:0001")
    await links.check_absent(absent)
    with pytest.raises(LinkLost, match=rf'no keyboard ffff:0001 is plugged in.*usb = "{USB}"'):
        await absent.open()
    machine.unplug("event5")
    with pytest.raises(LinkLost, match="no keyboard at all"):
        await absent.open()


@pytest.mark.asyncio
async def test_two_alike_are_told_apart_by_port_and_never_guessed_between(
    machine: Machine, gauge: Keyboard
) -> None:
    """Two gauges without serial numbers are named by where they are plugged in."""
    other = Keyboard()
    try:
        machine.plug("event6", other.path, usb="1a2b:0c0d", port="usb-0000:00:14.0-3/input0")
        with pytest.raises(LinkLost, match=r"2 keyboards are 1a2b:0c0d.*14\.0-2/input0.*14\.0-3/input0"):
            await _link(usb="1a2b:0c0d").open()
        assert await _typed(other, other.typing("7"), port="usb-0000:00:14.0-3") == [(b"7", "")]
    finally:
        other.close()


@pytest.mark.asyncio
async def test_what_is_no_keyboard_is_not_taken_for_one(machine: Machine, gauge: Keyboard) -> None:
    """A gauge's second interface (volume keys, a power key) does not make it two."""
    machine.plug("event6", gauge.path, port="usb-0000:00:14.0-2/input1", keys=[113, 114, 115])
    assert await _typed(gauge, gauge.typing("12.345")) == [(b"12.345", "")]


@pytest.mark.asyncio
async def test_a_keyboard_has_one_reader(machine: Machine, gauge: Keyboard) -> None:
    """A keyboard that somebody holds is refused and says so; once let go it can be had."""
    first, second = _link(), _link()
    await first.open()
    with pytest.raises(
        LinkLost, match=r"event5 \(Bench Gauge\) is held by another program; close that program"
    ):
        await second.open()
    await first.close()
    await second.open()
    await second.close()


@pytest.mark.asyncio
async def test_a_keyboard_that_may_not_be_opened_names_the_device_rule(
    machine: Machine, gauge: Keyboard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Permission denied is answered with the one line that lets the service open this gauge and no other keyboard."""
    monkeypatch.setattr(os, "open", _refuse)
    with pytest.raises(LinkLost) as caught:
        opening.open_keyboard(settings.Settings(usb=USB))
    assert "may not be opened by this user" in caught.value.finding
    line = 'SUBSYSTEM=="input", ATTRS{id/vendor}=="1a2b", ATTRS{id/product}=="0c0d", GROUP="gaugepost", MODE="0660"'
    assert line in caught.value.hint
    assert device_files.RULES in caught.value.hint


def _refuse(*_: object) -> int:
    raise PermissionError(13, "Permission denied")


@pytest.mark.asyncio
async def test_unplugged_and_plugged_in_elsewhere_it_is_found_again(
    machine: Machine, gauge: Keyboard
) -> None:
    """With half a frame or none the loss is told, and the same gauge on another device file is opened next."""
    for half in (b"", gauge.typing("12.3", end=None)):
        link = _link()
        await link.open()
        await gauge.raw(half)
        gauge.unplug()
        with pytest.raises(LinkLost, match="plug it in again"):
            await _chunks(link, 1)
        await link.close()
        gauge.close()
        machine.unplug(f"event{5 if not half else 9}")
        gauge.__init__()  # type: ignore[misc]
        machine.plug("event9", gauge.path)
        assert await _typed(gauge, gauge.typing("7.5")) == [(b"7.5", "")]


@pytest.mark.asyncio
async def test_a_far_side_that_is_readable_and_silent_is_lost(
    machine: Machine, gauge: Keyboard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A device that is readable for ever and gives no event is a lost link, not a busy loop."""
    link = _link()
    await link.open()
    monkeypatch.setattr("evdev._input.device_read_many", lambda descriptor: ())
    await gauge.raw(gauge.typing("1"))
    with pytest.raises(LinkLost, match="is gone; plug it in again"):
        await _chunks(link, 1)
    await link.close()


@pytest.mark.asyncio
async def test_what_began_before_the_opening_is_no_frame(
    machine: Machine, gauge: Keyboard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a "12.345" that was being typed while the link opened, a "2.345" is never read; the next frame is."""
    monkeypatch.setattr(opening, "SETTLE_S", 30.0)  # ends with the first key
    await gauge.raw(gauge.typing("2.345"))
    link = _link()
    await link.open()
    await gauge.raw(gauge.typing("12.345"))
    first, second = await _chunks(link, 2)
    await link.close()
    assert (first.data, "before the keyboard was open" in first.fault) == (b"2.345", True)
    assert (second.data, second.fault) == (b"12.345", "")


@pytest.mark.asyncio
async def test_lights_and_releases_at_the_opening_spoil_nothing(
    machine: Machine, gauge: Keyboard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a computer sets on a keyboard that is plugged in, and a key let go, are no beginning of a frame."""
    monkeypatch.setattr(opening, "SETTLE_S", 0.1)
    lights = gauge.events((ecodes.EV_LED, ecodes.LED_NUML, 1), (ecodes.EV_KEY, ecodes.KEY_ENTER, 0))
    await gauge.raw(lights)
    link = _link()
    await link.open()
    await gauge.raw(gauge.typing("12.345"))
    (chunk,) = await _chunks(link, 1)
    await link.close()
    assert (chunk.data, chunk.fault) == (b"12.345", "")


@pytest.mark.asyncio
async def test_lost_keys_spoil_the_frame_they_were_lost_from(machine: Machine, gauge: Keyboard) -> None:
    """After the kernel dropped events nothing counts up to the next report, the frame is bad, the next one well."""
    machine.held_keys = [ecodes.KEY_LEFTSHIFT]
    dropped = (
        gauge.typing("12.", end=None)
        + gauge.events((ecodes.EV_SYN, ecodes.SYN_DROPPED, 0))
        + gauge.keys((ecodes.KEY_9, 1))  # half an event, with its report
        + gauge.keys(
            (ecodes.KEY_EQUAL, 1), (ecodes.KEY_LEFTSHIFT, 0)
        )  # "+": the shift was held through the loss
        + gauge.typing("5")
        + gauge.typing("3.25")
    )
    (bad, why), good = await _typed(gauge, dropped, 2)
    assert (bad, "keys were lost" in why) == (b"12.\x1a+5", True)
    assert good == (b"3.25", "")


@pytest.mark.asyncio
async def test_a_frame_without_its_key_ends_badly_in_a_silence(machine: Machine, gauge: Keyboard) -> None:
    """Half a frame does not wait for the next one."""
    ((data, fault),) = await _typed(gauge, gauge.typing("12.3", end=None), silence=0.05)
    assert (data, fault) == (b"12.3", "no Enter came within 0.05 s")


@pytest.mark.asyncio
async def test_a_silence_ends_a_frame_where_that_is_how_it_ends(machine: Machine, gauge: Keyboard) -> None:
    """A gauge that types no key at the end is read all the same, also when two frames come in one read."""
    two = gauge.typing("12.3", end=None)
    gauge.events((ecodes.EV_SYN, ecodes.SYN_REPORT, 0), after_us=900_000)
    two += gauge.typing("4.5", end=None)
    got = await _typed(gauge, two, 2, ends_with="silence", silence=0.3)
    assert got == [(b"12.3", ""), (b"4.5", "")]


@pytest.mark.asyncio
async def test_what_a_person_types_is_refused_and_not_kept(machine: Machine, gauge: Keyboard) -> None:
    """Text with pauses that no gauge makes is visible as a bad frame, with not a character of it."""
    said = gauge.typing("secret", after_us=120_000) + gauge.typing("12.345")
    by_hand, frame = await _typed(gauge, said, 2, longest_pause=0.1)
    assert by_hand[0] == b""
    assert "6 keys with a pause of 0.24 s among them were typed by hand" in by_hand[1]
    assert frame == (b"12.345", "")


@pytest.mark.asyncio
async def test_a_gauge_is_shown_the_locks(machine: Machine, gauge: Keyboard) -> None:
    """The lights of NumLock and Caps Lock are set at the opening and follow the gauge's own presses."""
    link = _link()
    await link.open()
    want = [(ecodes.LED_NUML, 1), (ecodes.LED_CAPSL, 0)]
    assert await _lights(gauge) == want
    await gauge.raw(gauge.keys((ecodes.KEY_NUMLOCK, 1), (ecodes.KEY_NUMLOCK, 0)))
    assert await _lights(gauge) == [(ecodes.LED_NUML, 0), (ecodes.LED_CAPSL, 0)]
    await link.close()


async def _lights(gauge: Keyboard) -> list[tuple[int, int]]:
    async with asyncio.timeout(60):
        heard = await gauge.hear(3 * EVENT.size)
    events = [EVENT.unpack_from(heard, at * EVENT.size) for at in range(3)]
    assert (events[2][2], events[0][2]) == (ecodes.EV_SYN, ecodes.EV_LED)
    return [(code, value) for *_, code, value in events[:2]]


@pytest.mark.asyncio
async def test_nothing_can_be_said_to_a_keyboard(machine: Machine, gauge: Keyboard) -> None:
    """Asking a gauge that types says what to do instead."""
    link = _link()
    with pytest.raises(LinkLost, match="takes no bytes; press the gauge's own button"):
        await link.send(b"R\r")


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({}, "exactly one of usb and port"),
        ({"usb": USB, "port": "usb-1"}, "exactly one of usb and port"),
        ({"usb": "1a2b"}, "vendor:product:serial"),
        ({"port": "/dev/input/event5"}, "where a device is plugged in"),
        ({"usb": USB, "layout": "dvorak"}, "german"),
        ({"usb": USB, "longest_pause": 0.5}, "write a shorter one"),
    ],
)
def test_settings_that_cannot_be_are_told_offline(given: dict[str, object], word: str) -> None:
    """Every contradiction is found without a keyboard, and the finding says what to write."""
    with pytest.raises(ValidationError, match=word):
        settings.Settings.model_validate(given)


def test_a_missing_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the library is not installed, the check of the station file says which package is."""
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(ValidationError, match="python -m pip install evdev-binary"):
        settings.Settings(usb=USB)


def test_present_names_each_keyboard_for_good(machine: Machine, gauge: Keyboard) -> None:
    """A keyboard with a serial number is named by it, one without by its port."""
    machine.plug("event10", gauge.path, usb="1a2b:0c0e", port="usb-0000:00:14.0-9/input0", name="Other")
    first, second = KeyboardWedgeLink.present()
    assert (first.place, dict(first.settings)) == (str(machine.dev / "input" / "event5"), {"usb": USB})
    assert dict(second.settings) == {"port": "usb-0000:00:14.0-9/input0"}
