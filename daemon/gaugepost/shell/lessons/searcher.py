"""The search as a process of its own: evidence in, a document out, and then it ends, however the search goes.

It gives way to everything else on the computer, and where memory runs out the kernel ends it before the service.
"""

from __future__ import annotations

import json
import os
import pickle
import resource
import signal
import sys
from contextlib import suppress
from pathlib import Path

from gaugepost.contract import Decoder
from gaugepost.edge.plugins import DECODERS, PluginBroken, find, installed
from gaugepost.teach import as_document, search

MOST_MEMORY_BYTES = 512 * 1024**2
LONGEST_S = 90
"""When it ends even if nobody is there to end it: the service that began it was killed."""


def usable_decoders() -> tuple[dict[str, type[Decoder]], list[str]]:
    """Return every decoder that can be used, by its kind, and why others can't."""
    found, left_out = dict[str, type[Decoder]](), list[str]()
    for name in installed(DECODERS):
        try:
            found[name] = find(DECODERS, name)
        except PluginBroken as broken:
            left_out.append(broken.finding)
    return found, left_out


def main() -> None:
    """Search what stands on the standard input: evidence and the gauge's name, pickled by the service itself."""
    signal.alarm(LONGEST_S)
    with suppress(OSError, ValueError):  # where that is forbidden, the service's own limits hold for it too
        os.nice(10)
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
    evidence, name = pickle.load(sys.stdin.buffer)  # noqa: S301 - nobody else has this end of the pipe
    decoders, left_out = usable_decoders()
    document = as_document(search(evidence, decoders), evidence, name)
    print(json.dumps({**document, "left_out": left_out}), flush=True)


if __name__ == "__main__":
    main()
