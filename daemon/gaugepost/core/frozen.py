"""Frozen values with many fields, made and changed at the price of those that are given.

What `dataclasses` generates sets every field by itself, each through `object.__setattr__`: for a record with sixty
fields, of which a reading has twenty, that was a quarter of the processor's time for the reading.
"""

from __future__ import annotations

import dataclasses
from enum import StrEnum
from typing import TYPE_CHECKING, Any, TypeVar

__all__ = ["Word", "changed", "filled", "sparse"]

T = TypeVar("T")

if TYPE_CHECKING:  # the type checker knows the fields of what it is given, as for the original
    from dataclasses import replace as changed
else:

    def changed(value: T, /, **changes: Any) -> T:
        """Return `value` with some fields changed: `dataclasses.replace` for frozen dataclasses without slots."""
        made = object.__new__(type(value))
        fields = made.__dict__
        fields.update(value.__dict__)
        fields.update(changes)
        return made


def filled(cls: type[T], fields: dict[str, Any]) -> T:
    """Return a value of a `sparse` class that keeps `fields`: known ones, all that it needs, none of them None."""
    made = object.__new__(cls)
    object.__setattr__(made, "__dict__", fields)
    return made


def sparse(cls: type[T]) -> type[T]:
    """Have a frozen dataclass, without slots and by keywords only, keep just the fields that are not None.

    The others are read from the class, which has their default: None.
    """
    fields = dataclasses.fields(cls)  # type: ignore[arg-type]
    known = frozenset(field.name for field in fields)
    needed = frozenset(field.name for field in fields if field.default is dataclasses.MISSING)
    assert all(field.default is None for field in fields if field.name not in needed)

    def __init__(self: object, **given: Any) -> None:  # noqa: N807
        if not (needed.issubset(given) and known.issuperset(given)):
            wrong = sorted((needed - given.keys()) | (given.keys() - known))
            raise TypeError(f"{cls.__name__} lacks or does not know {', '.join(wrong)}")
        self.__dict__.update({name: value for name, value in given.items() if value is not None})

    cls.__init__ = __init__  # type: ignore[method-assign]
    return cls


class Word(StrEnum):
    """A word of a closed vocabulary that is looked up at every reading: found as the text it is.

    Enumerations hash by a function of Python's own, which takes ten times as long.
    """

    __hash__ = str.__hash__
