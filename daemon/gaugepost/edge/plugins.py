"""Finding adapters by entry point: the daemon imports none by name, and loads only what a station file names."""

from __future__ import annotations

from importlib import metadata
from typing import Any

from gaugepost.contract import AdapterSettings, SettingsError

LINKS = "gaugepost.links"
DECODERS = "gaugepost.decoders"
DESTINATIONS = "gaugepost.destinations"


class PluginMissing(SettingsError):
    """No installed package offers the plug-in that was named; `installed` are those there are."""

    def __init__(self, finding: str, *, hint: str, installed: tuple[str, ...]) -> None:
        super().__init__(finding, hint=hint)
        self.installed = installed


class PluginBroken(SettingsError):
    """The plug-in is there but can't be used. `__cause__` is what it raised."""


def installed(group: str) -> tuple[str, ...]:
    """Return the names of the plug-ins in `group`, sorted; nothing is imported."""
    return tuple(sorted({point.name for point in metadata.entry_points(group=group)}))


def find(group: str, name: str) -> type[Any]:
    """Return the adapter class that `name` stands for in `group`; imports that one and no other.

    Raises:
        PluginMissing: no plug-in has this name.
        PluginBroken: two have it, its import fails (the cause is kept), or it is no adapter.
    """
    points = list(metadata.entry_points(group=group, name=name))
    if not points:
        raise _missing(group, name)
    if len(points) > 1:
        offers = " and ".join(sorted(_offer(point) for point in points))
        raise PluginBroken(
            f'two installed packages offer "{name}" in {group}: {offers}', hint="uninstall one of them"
        )
    (point,) = points
    try:
        adapter = point.load()
    except ModuleNotFoundError as error:
        raise PluginBroken(
            f'the plug-in "{name}" of {_offer(point)} can\'t be imported: the module "{error.name}" is missing',
            hint=f"install the package that provides {error.name}, or reinstall {_package(point)}",
        ) from error
    except Exception as error:
        raise PluginBroken(
            f'the plug-in "{name}" of {_offer(point)} can\'t be imported: {type(error).__name__}: {error}',
            hint=f"repair or reinstall {_package(point)}",
        ) from error
    settings = getattr(adapter, "Settings", None)
    if not (
        isinstance(adapter, type) and isinstance(settings, type) and issubclass(settings, AdapterSettings)
    ):
        raise PluginBroken(
            f'the plug-in "{name}" of {_offer(point)} is no adapter',
            hint="it must be a class with Settings, a subclass of gaugepost.contract.AdapterSettings",
        )
    return adapter


def _missing(group: str, name: str) -> PluginMissing:
    there = installed(group)
    if there:
        return PluginMissing(
            f'"{name}" is none of the {group.removeprefix("gaugepost.")} that are installed here',
            hint=f"there are {', '.join(there)}",
            installed=there,
        )
    return PluginMissing(
        f'no installed package offers "{name}" or anything else in {group}: gaugepost is not installed, only its '
        "source is on the path",
        hint="install it with its adapters: python -m pip install . in the folder of pyproject.toml",
        installed=(),
    )


def _package(point: metadata.EntryPoint) -> str:
    return point.dist.name if point.dist else "its package"


def _offer(point: metadata.EntryPoint) -> str:
    return f"{_package(point)} ({point.value})"
