"""Keys under each layout, held against xkeyboard-config's own layout files as libxkbcommon reads them."""

import ctypes
from collections.abc import Iterator, Sequence
from typing import Any

import pytest
from hypothesis import given, settings as hypothesis_settings, strategies as st

from gaugepost.contract import MAX_FRAME_BYTES
from gaugepost_adapters.links.wedge import layouts
from gaugepost_adapters.links.wedge.settings import Settings
from gaugepost_adapters.links.wedge.typist import PRESSED, RELEASED, REPEATED, SUBSTITUTE, Typed, Typist
from tests.bench_tools.keyboard import strokes

# Source: xkeyboard-config 2.35 (Debian's xkb-data), symbols/{us,gb,de,fr}, default variants, model pc105.
XKB_NAMES = {"us": "us", "uk": "gb", "german": "de", "french": "fr"}
NAMES: Sequence[layouts.LayoutName] = ("us", "uk", "german", "french")
OFFSET = 8
"""An X key code is the kernel's plus 8 (xkeyboard-config, keycodes/evdev)."""
MODIFIERS = (layouts.LEFT_SHIFT, layouts.RIGHT_SHIFT, layouts.ALT_GR)
LOCKS = (layouts.CAPS_LOCK, layouts.NUM_LOCK)


class _Names(ctypes.Structure):
    _fields_ = [(name, ctypes.c_char_p) for name in ("rules", "model", "layout", "variant", "options")]


class Reference:
    """A keyboard's state as libxkbcommon keeps it."""

    def __init__(self, layout: str) -> None:
        self._library: Any = ctypes.CDLL("libxkbcommon.so.0")
        for name in ("xkb_context_new", "xkb_keymap_new_from_names", "xkb_state_new"):
            getattr(self._library, name).restype = ctypes.c_void_p
        library = self._library
        names = _Names(b"evdev", b"pc105", layout.encode(), b"", b"")
        self._context = ctypes.c_void_p(library.xkb_context_new(0))
        self._keymap = ctypes.c_void_p(
            library.xkb_keymap_new_from_names(self._context, ctypes.byref(names), 0)
        )
        assert self._keymap.value, f"no layout {layout}"
        self._state: ctypes.c_void_p | None = None

    def begin(self) -> None:
        """Begin with nothing pressed and NumLock on."""
        self._forget()
        self._state = ctypes.c_void_p(self._library.xkb_state_new(self._keymap))
        for value in (PRESSED, RELEASED):
            self.key(layouts.NUM_LOCK, value)

    def key(self, code: int, value: int) -> str:
        """Press or release a key; return the text a press makes."""
        buffer = ctypes.create_string_buffer(16)
        if value == PRESSED:
            self._library.xkb_state_key_get_utf8(self._state, code + OFFSET, buffer, 16)
        self._library.xkb_state_update_key(self._state, code + OFFSET, int(value == PRESSED))
        return buffer.value.decode()

    def _forget(self) -> None:
        if self._state is not None:
            self._library.xkb_state_unref(self._state)
            self._state = None

    def close(self) -> None:
        """Let go of the library's objects."""
        self._forget()
        self._library.xkb_keymap_unref(self._keymap)
        self._library.xkb_context_unref(self._context)


@pytest.fixture(scope="module")
def references() -> Iterator[dict[str, Reference]]:
    """A reference for each layout."""
    made: dict[str, Reference] = {name: Reference(XKB_NAMES[name]) for name in NAMES}
    yield made
    for reference in made.values():
        reference.close()


def _settings(**given: object) -> Settings:
    return Settings.model_validate({"usb": "1a2b:0c0d", **given})


def _typed(settings: Settings, keys: Sequence[tuple[int, int]], step_us: int = 2_000) -> list[Typed]:
    typist, found = Typist(settings), []
    for at, (code, value) in enumerate(keys):
        found += typist.key(code, value, at * step_us)
    return found


ENTER_KEYS = [(layouts.ENTER, PRESSED), (layouts.ENTER, RELEASED)]


@pytest.mark.parametrize("name", NAMES)
def test_each_character_is_what_the_layout_file_says(
    name: layouts.LayoutName, references: dict[str, Reference]
) -> None:
    """Every character that we give a key, alone and with Shift or AltGr, is the one that xkeyboard-config gives it."""
    layout, reference = layouts.LAYOUTS[name], references[name]
    for held, table in ((None, layout.plain), (42, layout.shift), (layouts.ALT_GR, layout.alt_gr)):
        for code, character in table.items():
            reference.begin()
            if held is not None:
                reference.key(held, PRESSED)
            assert reference.key(code, PRESSED) == character, (held, code)


@pytest.mark.parametrize("name", NAMES)
def test_everything_a_number_is_made_of_can_be_typed(name: layouts.LayoutName) -> None:
    """Digits, signs, both decimal signs and every letter are there in each layout."""
    wanted = "0123456789+-.,:;/ \tabcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
    table = strokes(layouts.LAYOUTS[name])
    assert set(wanted) <= table.keys()
    keys = [stroke for character in wanted for stroke in table[character]]
    assert _typed(_settings(layout=name), [*keys, *ENTER_KEYS]) == [Typed(wanted)]


@hypothesis_settings(deadline=None)
@given(name=st.sampled_from(NAMES), data=st.data())
def test_a_text_comes_out_as_it_was_typed(name: layouts.LayoutName, data: st.DataObject) -> None:
    """Any texts of a layout's characters, typed one after the other, are frames with just these characters."""
    table = strokes(layouts.LAYOUTS[name])
    texts = data.draw(st.lists(st.text(sorted(table), min_size=1, max_size=40), max_size=4))
    keys = [key for text in texts for key in [*(k for c in text for k in table[c]), *ENTER_KEYS]]
    assert _typed(_settings(layout=name), keys) == [Typed(text) for text in texts]


_TEXT_KEYS = sorted(
    {code for layout in layouts.LAYOUTS.values() for code in layout.plain}
    | set(layouts.PAD_DIGITS)
    | {layouts.PAD_DECIMAL, 55, 74, 78, 98, layouts.SPACE, layouts.TAB, 12, 13, 26, 41, 86}
)
_PRESSES = st.lists(
    st.tuples(
        st.sampled_from(_TEXT_KEYS),
        st.sampled_from([None, *MODIFIERS]),
        st.sampled_from([None, None, None, *LOCKS]),
        st.integers(0, 2),
    ),
    min_size=1,
    max_size=30,
)


@hypothesis_settings(max_examples=300, deadline=None)
@given(name=st.sampled_from(NAMES), presses=_PRESSES)
def test_what_we_read_is_what_the_reference_reads(
    name: layouts.LayoutName,
    presses: list[tuple[int, int | None, int | None, int]],
    references: dict[str, Reference],
) -> None:
    """Whatever is pressed, with locks, modifiers and repeats: our text is the reference's, or the frame is bad."""
    reference = references[name]
    reference.begin()
    keys: list[tuple[int, int]] = []
    expected: list[str] = []
    for code, modifier, lock, repeats in presses:
        if lock is not None:
            keys += [(lock, PRESSED), (lock, RELEASED)]
        if modifier is not None:
            keys.append((modifier, PRESSED))
        keys += [(code, PRESSED), *[(code, REPEATED)] * repeats, (code, RELEASED)]
        if modifier is not None:
            keys.append((modifier, RELEASED))
    for code, value in keys:
        if value != REPEATED:
            text = reference.key(code, value)
            if value == PRESSED and code in _TEXT_KEYS:
                expected.append(text)
    ((text, fault),) = [(one.text, one.fault) for one in _typed(_settings(layout=name), [*keys, *ENTER_KEYS])]
    assert len(text) == len(expected)
    for ours, theirs in zip(text, expected, strict=True):
        assert ours in (theirs, SUBSTITUTE)
    assert bool(fault) == (SUBSTITUTE in text)


def _pad(text: str) -> list[tuple[int, int]]:
    codes = {character: code for code, character in {**layouts.PAD_DIGITS, 83: ".", 74: "-"}.items()}
    return [(codes[character], value) for character in text for value in (PRESSED, RELEASED)]


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({}, "-12.345"),
        ({"layout": "german"}, "-12,345"),
        ({"layout": "german", "pad_decimal": "."}, "-12.345"),
        ({"layout": "french", "pad_decimal": ","}, "-12,345"),
        ({"num_lock": "ignored"}, "-12.345"),
    ],
)
def test_the_pad_types_digits_while_num_lock_is_on(given: dict[str, object], text: str) -> None:
    """The numeric pad gives digits, and the decimal sign of the layout unless the settings say which."""
    assert _typed(_settings(**given), [*_pad("-12.345"), (96, PRESSED)]) == [Typed(text)]


def test_without_num_lock_the_pad_types_no_digits() -> None:
    """With NumLock off its keys move a cursor: no number is made of them, unless the settings ignore NumLock."""
    toggled = [(layouts.NUM_LOCK, PRESSED), (layouts.NUM_LOCK, RELEASED), *_pad("12.3"), *ENTER_KEYS]
    (off,) = _typed(_settings(), toggled)
    assert (off.text, "no certain character" in off.fault) == (SUBSTITUTE * 4, True)
    assert _typed(_settings(num_lock="off"), toggled) == [Typed("12.3")]
    assert _typed(_settings(num_lock="ignored"), toggled) == [Typed("12.3")]
    (shifted,) = _typed(_settings(), [(42, PRESSED), *_pad("1"), *ENTER_KEYS])
    assert shifted.fault, "systems differ over Shift and the pad"


@pytest.mark.parametrize(("name", "code"), [("german", 41), ("german", 13), ("french", 26)])
def test_dead_keys_are_never_guessed(
    name: layouts.LayoutName, code: int, references: dict[str, Reference]
) -> None:
    """A key that makes nothing alone in the layout file makes a frame bad, with its neighbours kept apart."""
    reference = references[name]
    reference.begin()
    assert reference.key(code, PRESSED) == ""
    (typed,) = _typed(_settings(layout=name), [(code, PRESSED), (code, RELEASED), *_pad("5"), *ENTER_KEYS])
    assert (typed.text, bool(typed.fault)) == (SUBSTITUTE + "5", True)


def test_an_order_is_no_character() -> None:
    """Ctrl, Alt and Meta with a digit are never that digit."""
    for control in layouts.CONTROL:
        (typed,) = _typed(_settings(), [(control, PRESSED), (2, PRESSED), (2, RELEASED), *ENTER_KEYS])
        assert typed.fault


def test_caps_lock_as_the_settings_have_it() -> None:
    """Caps Lock turns letters round; where it is a shift lock it turns digits round too."""
    caps = [(layouts.CAPS_LOCK, PRESSED), (layouts.CAPS_LOCK, RELEASED)]
    keys = [*caps, (2, PRESSED), (2, RELEASED), (30, PRESSED), (30, RELEASED), *ENTER_KEYS]
    assert _typed(_settings(layout="french"), keys) == [Typed("&Q")]
    assert _typed(_settings(layout="french", caps_lock="shift"), keys) == [Typed("1Q")]


def test_a_frame_without_end_is_bounded() -> None:
    """Keys without an end fill no memory, and are one bad frame."""
    keys = [(2, PRESSED), (2, RELEASED)] * (MAX_FRAME_BYTES + 100)
    (typed,) = _typed(_settings(), [*keys, *ENTER_KEYS])
    assert len(typed.text) == MAX_FRAME_BYTES
    assert "no end of a frame" in typed.fault


def test_a_key_held_since_before_the_opening_spoils_its_frame() -> None:
    """A repeat of a press that was not seen is no press."""
    (typed,) = _typed(_settings(), [(2, REPEATED), (3, PRESSED), (3, RELEASED), *ENTER_KEYS])
    assert "held down" in typed.fault


def test_an_end_alone_is_nothing() -> None:
    """Enter with nothing before it is no frame, good or bad."""
    assert _typed(_settings(), ENTER_KEYS * 3) == []


def test_tab_ends_a_frame_where_it_is_said_so() -> None:
    """With Tab as the end, Enter is a character like any other."""
    keys = [(2, PRESSED), *ENTER_KEYS, (layouts.TAB, PRESSED)]
    assert _typed(_settings(ends_with="tab"), keys) == [Typed("1\r")]
