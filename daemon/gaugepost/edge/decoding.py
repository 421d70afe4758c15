"""Reading a recorded frame again, with the decoder and the settings that the set-up in force names."""

from __future__ import annotations

from collections.abc import Sequence

from gaugepost.contract import Chunk, Decoded, Decoder, Moment
from gaugepost.core.setup import LinkEntry
from gaugepost.edge import plugins

_NEVER = Moment(0, 0, "")


class Decoders:
    """Decoders by link entry, each made once."""

    def __init__(self) -> None:
        self._made: dict[LinkEntry, Decoder] = {}

    def __call__(self, link: LinkEntry, raw: bytes) -> Sequence[Decoded]:
        """Return what the bytes of one frame say.

        Raises:
            SettingsError: the decoder is not installed, or is broken.
        """
        decoder = self._made.get(link)
        if decoder is None:
            adapter = plugins.find(plugins.DECODERS, link.decoder)
            settings = adapter.Settings.model_validate_json(link.decoder_settings)
            decoder = self._made[link] = adapter(settings)
        decoder.reset()
        # A packet: its edges are the frame's, whether or not it also has a terminator.
        return decoder.feed(Chunk(raw, _NEVER, complete=True))
