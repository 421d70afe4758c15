"""Builds what is installed on a bench PC: a wheel, an offline bundle with hashes, and a Debian package of it.

    make packages                        into dist/
    make packages ARGS="--revision 2"    a package that replaces revision 1

Bundle and package hold every library that the service runs with, as deploy/constraints-run.txt has its hashes, so that
the bench PC needs no network. Both are for the Python and the processor they were built with.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import shutil
import subprocess
import sys
import tarfile
import tempfile
import tomllib
from collections.abc import Iterable
from pathlib import Path

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
PYTHON = f"python{sys.version_info.major}.{sys.version_info.minor}"
HOME = Path("usr/lib/gaugepost")
"""Where the package keeps its own Python environment, apart from the distribution's."""
EPOCH = "1767225600"
"""Time of every file in what is built (2026-01-01 UTC), so that the same source gives the same bytes."""

UNIT = ROOT / "deploy" / "systemd" / "gaugepost.service"
DOCUMENTS = (
    "README.md",
    "deploy/security.md",
    "deploy/evidence.md",
    "deploy/vocabulary.md",
    "deploy/postgres.md",
)
EXAMPLES = ("stations", "device-rules", "monitoring", "plant")


def main(words: list[str]) -> int:
    """Build all of it; print where it is."""
    parser = argparse.ArgumentParser(
        prog="make packages", description=__doc__.split("\n")[0] if __doc__ else ""
    )
    parser.add_argument("--output", type=Path, default=ROOT / "dist", help="folder to build into (dist)")
    parser.add_argument("--revision", type=int, default=1, help="revision of the Debian package (1)")
    args = parser.parse_args(words)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    args.output.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="gaugepost-build-") as scratch:
        wheels = Path(scratch) / "wheels"
        wheels.mkdir()
        print("wheel and libraries", flush=True)
        wheel = _wheel(wheels)
        _libraries(wheels)
        made = [shutil.copy2(wheel, args.output)]
        print("offline bundle", flush=True)
        made.append(_bundle(Path(scratch), wheels, project["version"], args.output))
        print("Debian package", flush=True)
        made.append(_package(Path(scratch), wheels, f"{project['version']}-{args.revision}", args.output))
    for path in made:
        print(f"  {path}  {Path(path).stat().st_size / 1e6:.1f} MB")
    return 0


def _run(*words: str | Path, **more: str) -> None:
    env = {**os.environ, "SOURCE_DATE_EPOCH": EPOCH, **more}
    subprocess.run([str(word) for word in words], check=True, env=env, cwd=ROOT)


def _wheel(target: Path) -> Path:
    _run(sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", target)
    return next(target.glob("gaugepost-*.whl"))


def _libraries(target: Path) -> None:
    """Fetch the libraries; each must have one of the hashes that are listed for it."""
    listed = ROOT / "deploy" / "constraints-run.txt"
    pip = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet")
    _run(*pip, "download", "--require-hashes", "--only-binary", ":all:", "--dest", target, "-r", listed)


def _bundle(scratch: Path, wheels: Path, version: str, output: Path) -> Path:
    """Pack the wheels with their hashes and the script that installs them."""
    tag = f"{PYTHON.replace('python', 'cp').replace('.', '')}-{platform.machine()}"
    name = f"gaugepost-{version}-{tag}"
    folder = scratch / name
    folder.mkdir()
    shutil.copytree(wheels, folder / "wheels")
    shutil.copy2(HERE / "install.sh", folder)
    shutil.copy2(UNIT, folder)
    for document in DOCUMENTS:
        shutil.copy2(ROOT / document, folder)
    for example in EXAMPLES:
        shutil.copytree(ROOT / "deploy" / example, folder / "examples" / example)
    sums = (f"{_sha256(path)}  {path.relative_to(folder)}\n" for path in _files(folder))
    (folder / "SHA256SUMS").write_text("".join(sums), encoding="utf-8")
    target = output / f"{name}.tar.gz"
    with tarfile.open(target, "w:gz", compresslevel=6) as tar:
        tar.add(folder, name, filter=_plain)
    return target


def _plain(entry: tarfile.TarInfo) -> tarfile.TarInfo:
    entry.uid = entry.gid = 0
    entry.uname = entry.gname = "root"
    entry.mtime = int(EPOCH)
    return entry


def _package(scratch: Path, wheels: Path, version: str, output: Path) -> Path:
    """Lay out the package's tree and have it built."""
    tree = scratch / "tree"
    site = tree / HOME / "lib" / PYTHON / "site-packages"
    site.mkdir(parents=True)
    pip = (sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet")
    # Neither what builds packages nor its plug-ins: pip takes what gaugepost and its extra ask for.
    _run(
        *pip,
        "install",
        "--no-index",
        "--find-links",
        wheels,
        "--no-compile",
        "--target",
        site,
        "gaugepost[postgres]",
    )
    shutil.rmtree(site / "bin", ignore_errors=True)
    (tree / HOME / "bin").mkdir()
    (tree / HOME / "bin" / "python").symlink_to(f"/usr/bin/{PYTHON}")
    (tree / HOME / "pyvenv.cfg").write_text("home = /usr/bin\ninclude-system-site-packages = false\n")
    _put(HERE / "gaugepost", tree / "usr/bin/gaugepost", 0o755)
    _put(UNIT, tree / "usr/lib/systemd/system/gaugepost.service")
    documents = tree / "usr/share/doc/gaugepost"
    for document in DOCUMENTS:
        _put(ROOT / document, documents / Path(document).name)
    for example in EXAMPLES:
        for path in _files(ROOT / "deploy" / example):
            _put(path, documents / "examples" / path.relative_to(ROOT / "deploy"))
    (tree / "etc/gaugepost").mkdir(parents=True)
    control = tree / "DEBIAN"
    control.mkdir()
    architecture = subprocess.run(
        ["dpkg", "--print-architecture"], check=True, capture_output=True, text=True
    ).stdout.strip()
    size_kib = sum(path.stat().st_size for path in _files(tree)) // 1024
    fields = (HERE / "debian" / "control").read_text(encoding="utf-8")
    fields = fields.format(version=version, architecture=architecture, size_kib=size_kib, python=PYTHON)
    (control / "control").write_text(fields, encoding="utf-8")
    for script in ("postinst", "prerm", "postrm"):
        _put(HERE / "debian" / script, control / script, 0o755)
    for path in tree.rglob("*"):
        if not path.is_symlink() and path != control and control not in path.parents:
            path.chmod(0o755 if path.is_dir() or path.parent.name == "bin" else 0o644)
    target = output / f"gaugepost_{version}_{architecture}.deb"
    _run("dpkg-deb", "--root-owner-group", "-Zxz", "--build", tree, target)
    return target


def _put(source: Path, target: Path, mode: int = 0o644) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source, target)
    target.chmod(mode)


def _files(folder: Path) -> Iterable[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file() and not path.is_symlink())


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
