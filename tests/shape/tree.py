"""Where the house stands, and what of it is committed or about to be."""

import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]
DAEMON = ROOT / "daemon" / "gaugepost"
ADAPTERS = ROOT / "adapters" / "gaugepost_adapters"


def committed() -> list[Path]:
    """Every file git knows of, or would add: not what .gitignore leaves out, nor what has just been deleted."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    paths = [ROOT / name for name in sorted(set(listed.stdout.split("\0"))) if name]
    return [path for path in paths if path.is_file()]


def sources() -> list[Path]:
    """Every Python file of the daemon, the adapters and the tests."""
    return [path for path in committed() if path.suffix == ".py"]


def name(path: Path) -> str:
    """A path as a failure should show it."""
    return str(path.relative_to(ROOT))
