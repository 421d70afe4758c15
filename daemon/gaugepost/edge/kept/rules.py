"""Which sources decide what state a journal leads to: others may change, and a snapshot of that state still fits.

From `core.bench.apply` and the form that a state is kept in, imports are followed name by name: what a package only
hands on for others, as `core.bench` does with `decide`, is none of them.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

BEGINNINGS = ("core/bench/apply.py", "edge/kept/state.py")
_IMPORTED = re.compile(
    r"^[ \t]*from[ ]gaugepost\.(core(?:\.\w+)*)[ ]import[ ](?:\(([^)]*)\)|([^\n]*))", re.MULTILINE
)
_NAME = re.compile(r"(\w+)(?:\s+as\s+(\w+))?")
_COMMENT = re.compile(r"#.*")


@cache
def fingerprint(home: Path) -> str:
    """Return a digest of the rules and of a state's form, as the program in `home` has them."""
    digest = hashlib.sha256()
    for path in sources(home):
        source = path.read_bytes()
        digest.update(f"{path.relative_to(home).as_posix()} {len(source)}\n".encode() + source)
    return digest.hexdigest()


def sources(home: Path) -> list[Path]:
    """Return the files of the program in `home` that a state hangs on."""
    found: set[Path] = set()
    ahead = [home / each for each in BEGINNINGS]
    while ahead:
        path = ahead.pop()
        if path in found:
            continue
        found.add(path)
        for module, name, _ in _imports(path):
            ahead.append(_leads_to(home, module, name))
    return sorted(found)


def _imports(path: Path) -> Iterator[tuple[str, str, str]]:
    """Yield what a file imports from the core: from where, which name, and what it is called here."""
    for module, several, one in _IMPORTED.findall(path.read_text(encoding="utf-8")):
        for name, called in _NAME.findall(_COMMENT.sub("", several or one)):
            yield module.replace(".", "/"), name, called or name


def _leads_to(home: Path, module: str, name: str) -> Path:
    """Return the file in which what is imported as `name` from `module` is made."""
    at = home / module
    for path in (at / f"{name}.py", at / name / "__init__.py", at.with_suffix(".py")):
        if path.is_file():
            return path
    package = at / "__init__.py"
    for inner, made, called in _imports(package):
        if called == name:
            return _leads_to(home, inner, made)
    return package
