"""Keys in, frames of text out: modifiers, locks, repeats, pauses. No I/O and no clock; each event brings its time.

A key whose character is not certain, keys that were lost, and text that a person typed make a frame bad. It is never
handed on with a hole in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from gaugepost.contract import MAX_FRAME_BYTES
from gaugepost_adapters.links.wedge import layouts
from gaugepost_adapters.links.wedge.settings import Settings

RELEASED, PRESSED, REPEATED = 0, 1, 2
"""Values of a key event (Linux, Documentation/input/event-codes.rst, EV_KEY)."""

SUBSTITUTE = "\x1a"
"""Stands where something was typed that has no certain character (SUB, ECMA-48 8.3.148)."""

_US_PER_S = 1_000_000


@dataclass(frozen=True, slots=True)
class Typed:
    """What was typed until a key or a silence ended it, and why it can't be a frame, where it can't."""

    text: str
    fault: str = ""


class Typist:
    """Follows one keyboard from the moment it is opened."""

    def __init__(self, settings: Settings, key_name: Callable[[int], str] = "key {}".format) -> None:
        """`key_name` gives a key's name for a person."""
        self._settings, self._key_name = settings, key_name
        self._layout = layouts.LAYOUTS[settings.layout]
        self._ends = {
            "enter": {layouts.ENTER, layouts.PAD_ENTER},
            "tab": {layouts.TAB},
            "silence": set[int](),
        }[settings.ends_with]
        self._pad_decimal = settings.pad_decimal or self._layout.pad_decimal
        self._held: set[int] = set()
        self._text: list[str] = []
        self._fault = ""
        self._keys = 0
        self._last_us: int | None = None
        self._longest_us = 0
        self.num_lock = settings.num_lock != "off"
        self.caps_lock = False

    @property
    def under_way(self) -> bool:
        """Whether something was typed that nothing has ended yet."""
        return bool(self._text or self._fault)

    def key(self, code: int, value: int, at_us: int) -> list[Typed]:
        """Return what became complete with a key that was pressed (1), released (0) or repeated (2) at `at_us`."""
        if value == RELEASED:
            self._held.discard(code)
            return []
        if value == REPEATED and code in self._held:
            # Repeats are made by the computer while a key is held; the gauge pressed it once.
            return []
        self._held.add(code)
        ended = self._paused(at_us)
        if value == REPEATED:
            self.mark(f"{self._key_name(code)} was held down before it could be seen pressed")
        if code in self._ends:
            return [*ended, *self._end()]
        self._press(code)
        return ended

    def silent(self) -> list[Typed]:
        """Return what a silence as long as the settings say has ended."""
        if self._settings.ends_with != "silence" and self._text:
            self.mark(f"no {self._settings.ends_with.title()} came within {self._settings.silence:g} s")
        return self._end()

    def mark(self, fault: str) -> None:
        """What is being typed, or begins next, can't be a frame; the first reason counts."""
        self._fault = self._fault or fault

    def lost(self, held: Iterable[int]) -> None:
        """Keys were lost; `held` are down now. The locks begin again as at the opening."""
        self.mark("keys were lost: more came than the computer kept")
        self._add(SUBSTITUTE)
        self._held = set(held)
        self.num_lock, self.caps_lock = self._settings.num_lock != "off", False

    def _paused(self, at_us: int) -> list[Typed]:
        """Measure the pause before a key; return what it has ended."""
        pause_us = 0 if self._last_us is None else at_us - self._last_us
        self._last_us = at_us
        if not self.under_way:
            return []
        if pause_us >= self._settings.silence * _US_PER_S:
            return self.silent()
        self._longest_us = max(self._longest_us, pause_us)
        return []

    def _press(self, code: int) -> None:
        if code == layouts.NUM_LOCK:
            self.num_lock = self._settings.num_lock == "ignored" or not self.num_lock
        elif code == layouts.CAPS_LOCK:
            self.caps_lock = not self.caps_lock
        if code in layouts.SILENT:
            return
        self._keys += 1
        character = self._character(code)
        if not character:
            self.mark(
                f"{self._described(code)} has no certain character with layout = {self._settings.layout!r}"
            )
        self._add(character or SUBSTITUTE)

    def _add(self, character: str) -> None:
        if len(self._text) < MAX_FRAME_BYTES:
            self._text.append(character)
        else:
            self.mark(f"no end of a frame within {MAX_FRAME_BYTES} keys")

    def _character(self, code: int) -> str:
        """Return what a key stands for as things are; empty where that is not certain."""
        held = self._held
        shift = layouts.LEFT_SHIFT in held or layouts.RIGHT_SHIFT in held
        alt_gr = layouts.ALT_GR in held
        if held & layouts.CONTROL or (alt_gr and shift):
            return ""
        if code in layouts.PAD_DIGITS or code == layouts.PAD_DECIMAL:
            # Shift turns NumLock round on one operating system and not on another.
            if not self.num_lock or shift or alt_gr:
                return ""
            return layouts.PAD_DIGITS.get(code, self._pad_decimal)
        if alt_gr:
            third = self._layout.alt_gr.get(code, "")
            return "" if self.caps_lock and third.isalpha() else third
        common = {layouts.SPACE: " ", layouts.ENTER: "\r", layouts.PAD_ENTER: "\r", **layouts.PAD_SIGNS}
        if code == layouts.TAB:
            return "" if shift else "\t"
        if code in common:
            return common[code]
        return self._on_level(code, shift)

    def _on_level(self, code: int, shift: bool) -> str:
        plain, shifted = self._layout.plain.get(code, ""), self._layout.shift.get(code, "")
        if self.caps_lock:
            letter = plain.isalpha() and plain.upper() == shifted
            if letter or self._settings.caps_lock == "shift":
                shift = not shift
            elif (shifted if shift else plain).isalpha():
                # A letter whose capital lies elsewhere, if anywhere (é, ß): systems differ.
                return ""
        return shifted if shift else plain

    def _described(self, code: int) -> str:
        return " with ".join(map(self._key_name, [code, *sorted((self._held & layouts.SILENT) - {code})]))

    def _end(self) -> list[Typed]:
        text, fault = "".join(self._text), self._fault
        keys, longest_us = self._keys, self._longest_us
        self._text, self._fault, self._keys, self._longest_us = [], "", 0, 0
        limit = self._settings.longest_pause
        if limit is not None and longest_us > limit * _US_PER_S:
            # What a person types is nobody's business: not a character of it is kept.
            pause = f"a pause of {longest_us / _US_PER_S:.3g} s among them"
            return [Typed("", f"{keys} keys with {pause} were typed by hand: longest_pause = {limit:g}")]
        return [Typed(text, fault)] if text or fault else []
