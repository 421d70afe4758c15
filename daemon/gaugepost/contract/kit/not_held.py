"""What the kit raises, and the checks every kind of adapter shares."""

from __future__ import annotations

from pydantic import ValidationError

from gaugepost.contract.adapters import AdapterSettings
from gaugepost.contract.explained import explanations


class NotHeld(AssertionError):
    """A promise of the contract that an adapter broke: which one, and what was seen instead."""

    def __init__(self, promise: str, seen: str = "") -> None:
        super().__init__(f"{promise}; seen: {seen}" if seen else promise)
        self.promise = promise
        self.seen = seen


def check_settings(settings: object) -> None:
    """Hold an adapter's settings model against the house rules.

    Raises:
        NotHeld: it is no `AdapterSettings`, takes unknown keys, can change, or has a setting that is not explained.
    """
    if not (isinstance(settings, type) and issubclass(settings, AdapterSettings)):
        raise NotHeld("Settings is a subclass of AdapterSettings", repr(settings))
    if settings.model_config.get("extra") != "forbid" or not settings.model_config.get("frozen"):
        raise NotHeld("settings refuse unknown keys and never change", repr(settings.model_config))
    if unexplained := settings.model_fields.keys() - explanations(settings):
        raise NotHeld("every setting has a docstring that explains it", ", ".join(sorted(unexplained)))
    try:
        settings.model_validate({"no such setting": 1})
    except ValidationError as error:
        if any(found["loc"] == ("no such setting",) for found in error.errors()):
            return
        raise NotHeld("an unknown key is reported at that key", str(error)) from error
    raise NotHeld("settings refuse unknown keys", "one was taken")
