"""The file of people in the data folder: ids, roles and slow salted hashes, never a PIN or a code."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from gaugepost.core.access import (
    Person,
    Role,
    alike,
    checked_code,
    checked_id,
    checked_pin,
    checked_printed_name,
)
from gaugepost.core.errors import CommandRefused
from gaugepost.edge.access.private import PrivateFile
from gaugepost.edge.access.secret import checked, fits, hashed, new_salt

FILE_NAME = "people.json"
FORMAT = 1


@dataclass(frozen=True, slots=True)
class People:
    """What the file says."""

    people: tuple[Person, ...] = ()
    code_salt: str | None = None
    """Salt of every code here, so that whose code it is takes one hash to find."""


class PeopleFile:
    """The people of a station. A change counts at the next request; whatever takes a secret takes its time."""

    def __init__(self, data: Path) -> None:
        """`data` is the station's data folder."""
        self._file: PrivateFile[People] = PrivateFile(
            data / FILE_NAME,
            FORMAT,
            People(),
            _read,
            "put the file right, or move it away and add people with `gaugepost access add`",
        )
        self._changing = threading.RLock()
        self._known: tuple[People, frozenset[str]] = People(), frozenset()
        self.path = self._file.path

    def people(self) -> tuple[Person, ...]:
        """Return everybody, those who were revoked too, in the order in which they were added.

        Raises:
            SettingsError: the file can't be read, is damaged, or others on this computer may read it.
        """
        return self._file.content().people

    def ids(self) -> frozenset[str]:
        """Return everybody's id as `alike` has it: nobody else is recorded by it. Raises as `people` does."""
        content = self._file.content()
        if self._known[0] is not content:
            self._known = content, frozenset(alike(person.id) for person in content.people)
        return self._known[1]

    def person(self, id: str) -> Person | None:  # noqa: A002 - the record's word
        """Return whom `id` stands for, or None. Raises as `people` does."""
        return next((person for person in self.people() if person.id == id), None)

    def known_by_pin(self, id: str, pin: str) -> Person | None:  # noqa: A002 - the record's word
        """Return the person of this id, if this is their PIN and they may sign in. Takes as long for every other.

        The id counts however its letters are written.
        """
        person = next((each for each in self.people() if alike(each.id) == alike(id)), None)
        right = fits((person and person.pin) or _NOBODYS, pin)
        return person if person is not None and person.counts and person.pin is not None and right else None

    def known_by_code(self, code: str) -> Person | None:
        """Return whose code this is, if they may sign in. Takes as long for every other."""
        content = self._file.content()
        known = hashed(code, content.code_salt)
        return next((person for person in content.people if person.counts and person.code == known), None)

    def add(
        self,
        id: str,  # noqa: A002 - the record's word
        role: Role,
        now_ms: int,
        by: str,
        *,
        pin: str | None = None,
        code: str | None = None,
        name: str | None = None,
    ) -> Person:
        """Add somebody, or let somebody in again who was revoked, with a PIN, a code, or both.

        Raises:
            CommandRefused: somebody has that id or that code.
            SettingsError: the file can't be read or written.
            ValueRefused: id, name, PIN or code can't be one, or neither of the last two is given.
        """
        if name is not None:
            checked_printed_name(name)
        with self._changing, self._file.alone():
            checked_id(id)
            content = self._file.content()
            for person in content.people:
                if alike(person.id) == alike(id) and (person.counts or person.id != id):
                    raise CommandRefused(
                        f"{person.id} is here already",
                        hint="choose another id: records tell people apart by it",
                    )
            made = Person(id=id, role=role, added_at=now_ms, by=by, secret_at=now_ms, name=name)
            others = [person for person in content.people if person.id != id]
            return self._with_secrets(others, made, pin, code)

    def set_role(self, id: str, role: Role, by: str) -> Person:  # noqa: A002
        """Give somebody another role. Raises as `add` does, `CommandRefused` where nobody has that id."""
        return self._changed(id, role=role, by=by)

    def set_name(self, id: str, name: str, by: str) -> Person:  # noqa: A002
        """Give somebody another name in print; what they signed before keeps theirs. Raises as `set_role` does."""
        return self._changed(id, name=checked_printed_name(name), by=by)

    def set_secret(
        self,
        id: str,  # noqa: A002 - the record's word
        now_ms: int,
        by: str,
        *,
        pin: str | None = None,
        code: str | None = None,
    ) -> Person:
        """Give somebody a new PIN or code; the other stays. Earlier sessions and wrong tries count no more.

        Raises as `add` does, `CommandRefused` where nobody has that id.
        """
        with self._changing, self._file.alone():
            made = replace(self._counted(id), secret_at=now_ms, by=by)
            others = [person for person in self.people() if person.id != id]
            return self._with_secrets(others, made, pin, code)

    def revoke(self, id: str, now_ms: int, by: str) -> None:  # noqa: A002
        """Have somebody sign in no more. Their id stays theirs. Raises as `set_role` does."""
        self._changed(id, revoked_at=now_ms, pin=None, code=None, by=by)

    def _changed(self, id: str, **changes: Any) -> Person:  # noqa: A002
        with self._changing, self._file.alone():
            made = replace(self._counted(id), **changes)
            self._write(
                [made if each.id == id else each for each in self.people()], self._file.content().code_salt
            )
            return made

    def _counted(self, id: str) -> Person:  # noqa: A002
        person = self.person(id)
        if person is None or not person.counts:
            known = ", ".join(each.id for each in self.people() if each.counts) or "nobody"
            raise CommandRefused(f"nobody here is {id[:80]!r}", hint=f"who may sign in: {known}")
        return person

    def _with_secrets(
        self, others: Sequence[Person], person: Person, pin: str | None, code: str | None
    ) -> Person:
        if pin is None and code is None:
            raise CommandRefused(f"{person.id} has nothing to sign in with", hint="give a PIN or a code")
        salt = self._file.content().code_salt or new_salt()
        if pin is not None:
            person = replace(person, pin=hashed(checked_pin(pin)))
        if code is not None:
            person = replace(person, code=hashed(checked_code(code), salt))
            if any(each.code == person.code for each in others):
                raise CommandRefused(
                    "somebody else signs in with this code", hint="take another one, best a random one"
                )
        self._write([*others, person], salt)
        return person

    def _write(self, people: Sequence[Person], salt: str | None) -> None:
        self._file.write({"code_salt": salt, "people": [asdict(person) for person in people]})


def _read(said: Any) -> People:
    people = tuple(
        Person(
            **{
                **each,
                "role": Role(each["role"]),
                "pin": checked(each["pin"]),
                "code": checked(each["code"]),
            }
        )
        for each in said["people"]
    )
    if len({alike(person.id) for person in people}) < len(people):
        raise ValueError("two people with one id")
    return People(people, said["code_salt"])


_NOBODYS = f"$scrypt$ln=14,r=8,p=5${'A' * 22}${'A' * 43}"
"""What a PIN is held against where nobody has that id, so that the answer takes as long."""
