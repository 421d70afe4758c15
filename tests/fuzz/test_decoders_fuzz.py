"""Guided fuzzing of the decoders, with their captures as a start: indications or bad frames, never anything else."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench_tools.captures import DECODERS, every

TARGET = Path(__file__).with_name("decoder_target.py")
SECONDS = 18
"""How long each decoder is attacked; the verdict does not hang on it."""
SLOWEST_INPUT_S = 20
MOST_MEMORY_MB = 1024
LONGEST_INPUT = 16_384


def fuzz(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    corpus = folder / "corpus"
    corpus.mkdir()
    captures = [capture for capture in every() if capture.decoder == words[-1]]
    for number, capture in enumerate(captures):
        # Choices are read from an input's end, bytes from its beginning: the last byte picks the capture.
        (corpus / capture.name).write_bytes(capture.data + bytes([255, number]))
    return subprocess.run(
        [
            sys.executable,
            str(TARGET),
            *words,
            str(corpus),
            f"-artifact_prefix={folder}/",
            f"-max_total_time={SECONDS}",
            f"-timeout={SLOWEST_INPUT_S}",
            f"-rss_limit_mb={MOST_MEMORY_MB}",
            f"-max_len={LONGEST_INPUT}",
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=SECONDS + 240,
        check=False,
    )


@pytest.mark.attack
@pytest.mark.parametrize("name", sorted(DECODERS))
def test_no_bytes_and_no_settings_break_a_decoder(tmp_path: Path, name: str) -> None:
    """Whatever settings and bytes come: known events, every byte in one of them, in bounded time and memory."""
    done = fuzz(tmp_path, name)
    assert done.returncode == 0, done.stderr[-4000:]
    assert "DONE" in done.stderr
    assert not [
        path.name
        for path in tmp_path.iterdir()
        if path.name.startswith(("crash-", "timeout-", "oom-", "leak-"))
    ]


@pytest.mark.attack
def test_the_fuzzer_finds_a_decoder_that_loses_bytes(tmp_path: Path) -> None:
    """The target is not content with everything: a byte that vanishes ends it with an error."""
    done = fuzz(tmp_path, "broken", "delimited_text")
    assert done.returncode != 0
    assert "every byte is in exactly one event's raw" in done.stdout + done.stderr
