"""The page's files: read once at the start, a few hundred kilobytes, each known by what is in it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent / "static"
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True, slots=True)
class PageFile:
    """A file as it is served."""

    content: bytes
    media_type: str
    tag: str
    """Its entity tag (RFC 9110, 8.8.3): another one once anything in it is another."""


def read_all() -> dict[str, PageFile]:
    """Return every file of the page by its path below the folder."""
    return {
        path.relative_to(FOLDER).as_posix(): _read(path)
        for path in sorted(FOLDER.rglob("*"))
        if path.is_file() and path.suffix in _TYPES
    }


def _read(path: Path) -> PageFile:
    content = path.read_bytes()
    return PageFile(content, _TYPES[path.suffix], f'"{hashlib.sha256(content).hexdigest()[:32]}"')
