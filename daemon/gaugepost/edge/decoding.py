"""Reading a recorded frame again, with the decoder and the settings that the set-up in force names."""

from __future__ import annotations

from collections.abc import Sequence

from gaugepost.contract import Chunk, Decoded, Decoder, Moment
from gaugepost.core.setup import LinkEntry
from gaugepost.edge import plugins

_NEVER = Moment(0, 0, "")
MOST_KEPT = 4096
"""Frames of a link that are kept with what they say: a gauge shows few lengths again and again."""


class Decoders:
    """Decoders by link entry, each made once. A frame by itself says the same whenever it is read."""

    def __init__(self) -> None:
        self._made: dict[LinkEntry, tuple[Decoder, dict[bytes, Sequence[Decoded]]]] = {}

    def __call__(self, link: LinkEntry, raw: bytes) -> Sequence[Decoded]:
        """Return what the bytes of one frame say.

        Raises:
            SettingsError: the decoder is not installed, or is broken.
        """
        made = self._made.get(link)
        if made is None:
            adapter = plugins.find(plugins.DECODERS, link.decoder)
            settings = adapter.Settings.model_validate_json(link.decoder_settings)
            made = self._made[link] = adapter(settings), {}
        decoder, known = made
        said = known.get(raw)
        if said is None:
            if len(known) >= MOST_KEPT:
                known.clear()
            decoder.reset()
            # A packet: its edges are the frame's, whether or not it also has a terminator.
            said = known[raw] = tuple(decoder.feed(Chunk(raw, _NEVER, complete=True)))
        return said
