"""Plug-ins as installed packages: real metadata and real modules in a folder on the path."""

import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from gaugepost.edge import plugins
from gaugepost.edge.stationfile import StationFileError, read_station

ADAPTER = """
from gaugepost.contract import AdapterSettings
class Settings(AdapterSettings):
    shelf: int
class Plain:
    Settings = Settings
"""
STATION = '[station]\nname = "bench"\ntime_zone = "UTC"\n[destinations.shelf]\nkind = "KIND"\nshelf = 4\n'

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """Return a way to install a package with one plug-in, by writing what an installer writes."""
    monkeypatch.syspath_prepend(str(tmp_path))
    before = set(sys.modules)

    def write(package: str, name: str, code: str = ADAPTER, group: str = plugins.DESTINATIONS) -> None:
        module = f"{package}_module"
        (tmp_path / f"{module}.py").write_text(textwrap.dedent(code), encoding="utf-8")
        info = tmp_path / f"{package}-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n", encoding="utf-8"
        )
        (info / "entry_points.txt").write_text(f"[{group}]\n{name} = {module}:Plain\n", encoding="utf-8")

    yield write
    for name in set(sys.modules) - before:
        if name.endswith("_module"):
            del sys.modules[name]


def test_a_plugin_is_found_by_its_name(install: Install) -> None:
    """A stranger's adapter is found by entry point and is installed for everyone to see."""
    install("oak", "oak_shelf")
    assert plugins.find(plugins.DESTINATIONS, "oak_shelf").__name__ == "Plain"
    assert "oak_shelf" in plugins.installed(plugins.DESTINATIONS)
    assert "oak_shelf" not in plugins.installed(plugins.LINKS)


def test_only_what_is_named_is_loaded(install: Install) -> None:
    """A plug-in that nobody names is never imported, however broken it is."""
    install("oak", "oak_shelf")
    install("ash", "ash_shelf", "raise RuntimeError('imported without being named')")
    plugins.find(plugins.DESTINATIONS, "oak_shelf")
    assert plugins.installed(plugins.DESTINATIONS)
    assert "oak_module" in sys.modules
    assert "ash_module" not in sys.modules


def test_two_with_one_name_are_an_error(install: Install) -> None:
    """Neither of two plug-ins with one name silently wins; both packages are named."""
    install("oak", "shelf")
    install("ash", "shelf")
    with pytest.raises(plugins.PluginBroken, match=r"ash \(ash_module:Plain\) and oak \(oak_module:Plain\)"):
        plugins.find(plugins.DESTINATIONS, "shelf")


def test_a_failed_import_keeps_its_cause(install: Install) -> None:
    """What a plug-in raised while it was imported stays attached for whoever repairs it."""
    install("ash", "ash_shelf", "raise RuntimeError('rotten')")
    with pytest.raises(plugins.PluginBroken, match="RuntimeError: rotten") as caught:
        plugins.find(plugins.DESTINATIONS, "ash_shelf")
    assert isinstance(caught.value.__cause__, RuntimeError)


def test_a_missing_module_is_named(install: Install) -> None:
    """A plug-in that lacks a module says which, and what to install."""
    install("ash", "ash_shelf", "import no_such_module_here")
    with pytest.raises(
        plugins.PluginBroken, match='the module "no_such_module_here" is missing; install'
    ) as caught:
        plugins.find(plugins.DESTINATIONS, "ash_shelf")
    assert isinstance(caught.value.__cause__, ModuleNotFoundError)


@pytest.mark.parametrize("code", ["class Plain: pass", "Plain = 3", "class Plain:\n    Settings = dict"])
def test_what_is_no_adapter_is_refused(install: Install, code: str) -> None:
    """An entry point that leads to something else than an adapter class is refused, not called."""
    install("ash", "ash_shelf", code)
    with pytest.raises(plugins.PluginBroken, match="is no adapter"):
        plugins.find(plugins.DESTINATIONS, "ash_shelf")


def test_an_unknown_name_lists_those_installed() -> None:
    """A kind that is not installed is answered with those that are."""
    with pytest.raises(plugins.PluginMissing, match="serial_port") as caught:
        plugins.find(plugins.LINKS, "parallel_port")
    assert "serial_port" in caught.value.installed


def test_no_plugin_at_all_says_how_to_install() -> None:
    """A source tree that is not installed says so, and how to put that right."""
    with pytest.raises(plugins.PluginMissing, match="pip install") as caught:
        plugins.find("gaugepost.never_installed", "serial_port")
    assert caught.value.installed == ()


def test_a_broken_destination_disables_itself(install: Install, tmp_path: Path) -> None:
    """A destination whose plug-in fails leaves a station that runs without it and says why."""
    install("ash", "ash_shelf", "raise RuntimeError('rotten')")
    file = tmp_path / "bench.toml"
    file.write_text(STATION.replace("KIND", "ash_shelf"), encoding="utf-8")
    station = read_station(file)
    plan = station.destinations["shelf"]
    assert plan.destination is None
    assert plan.settings is None
    assert plan.problem is not None
    assert "RuntimeError: rotten" in plan.problem
    assert [finding.key for finding in station.findings if "disabled" in finding.finding] == [
        "destinations.shelf.kind"
    ]


def test_a_broken_link_is_an_error_of_the_file(install: Install, tmp_path: Path) -> None:
    """A link whose plug-in fails stops the station, at its line, with the cause kept."""
    install("ash", "ash_link", "raise RuntimeError('rotten')", plugins.LINKS)
    file = tmp_path / "bench.toml"
    file.write_text(
        '[station]\nname = "b"\ntime_zone = "UTC"\n[links.a]\nkind = "ash_link"\n'
        '[links.a.decoder]\nkind = "delimited_text"\npattern = "{value}"\nunit = "mm"\n',
        encoding="utf-8",
    )
    with pytest.raises(StationFileError, match=r"bench\.toml:5: links\.a\.kind: .*rotten") as caught:
        read_station(file)
    assert caught.value.__cause__ is not None
    assert isinstance(caught.value.__cause__.__cause__, RuntimeError)


def test_a_strangers_settings_are_checked_like_ours(install: Install, tmp_path: Path) -> None:
    """The settings of a plug-in from elsewhere are held against its own model, with lines."""
    install("oak", "oak_shelf")
    file = tmp_path / "bench.toml"
    good = STATION.replace("KIND", "oak_shelf")
    file.write_text(good, encoding="utf-8")
    plan = read_station(file).destinations["shelf"]
    assert plan.settings is not None
    assert plan.settings.model_dump() == {"shelf": 4}
    file.write_text(good.replace("shelf = 4", 'shelf = "four"\nshelve = 1'), encoding="utf-8")
    with pytest.raises(StationFileError) as caught:
        read_station(file)
    said = [str(finding) for finding in caught.value.findings if finding.line >= 6]
    assert said == [
        f'{file}:6: destinations.shelf.shelf: "four" can\'t be taken; expected a whole number',
        (
            f'{file}:7: destinations.shelf.shelve: "shelve" is not a key of a destination of kind "oak_shelf"; '
            "expected shelf; write shelf"
        ),
    ]
