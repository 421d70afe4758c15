"""Who may do what, under whose name, and how often a secret may be tried: the rules, without files or sessions."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest

from gaugepost.core.access import (
    FREE_FOR_A_PERSON,
    FREE_FOR_AN_ADDRESS,
    Asker,
    Grant,
    NotTheirs,
    Person,
    Role,
    Scope,
    TooManyTries,
    Tries,
    alike,
    checked_code,
    checked_id,
    checked_name,
    checked_pin,
    checked_printed_name,
    digest,
    held,
    person_document,
)
from gaugepost.core.errors import ValueRefused

TOKEN = "gpt_" + "Ab3_-" * 8 + "xyz"
PEOPLE = {"m1", "m2"}


def grant(**changed: Any) -> Grant:
    made: dict[str, Any] = {
        "name": "quality-pc",
        "scope": Scope.READ,
        "digest": digest(TOKEN),
        "granted_at": 1000,
    }
    return Grant(**(made | changed))


def person(**changed: Any) -> Person:
    made: dict[str, Any] = {"id": "M2", "role": Role.OPERATOR, "added_at": 0, "by": "M1", "secret_at": 0}
    return Person(**(made | changed))


def test_a_scope_includes_itself_and_those_before_it() -> None:
    """Whoever may set up may operate and read, and nobody more than that."""
    order = [Scope.READ, Scope.OPERATE, Scope.SET_UP, Scope.ADMINISTER]
    for at, scope in enumerate(order):
        assert [scope.includes(other) for other in order] == [n <= at for n in range(4)]
    assert [role.scope for role in Role] == [Scope.OPERATE, Scope.SET_UP, Scope.ADMINISTER]


@pytest.mark.parametrize(
    ("changed", "now_ms", "counts"),
    [
        ({}, 10**15, True),
        ({"until": 2000}, 1999, True),
        ({"until": 2000}, 2000, False),
        ({"until": 2000}, 2001, False),
        ({"revoked_at": 1500}, 1400, False),
        ({"revoked_at": 1500, "until": 2000}, 1999, False),
    ],
)
def test_a_token_counts_until_it_is_over_or_revoked(
    changed: dict[str, Any], now_ms: int, counts: bool
) -> None:
    """Its last moment is the one before `until`; a revoked one never counts, and no other token ever does."""
    one = grant(**changed)
    assert one.counts(now_ms) is counts
    assert held([grant(digest=digest("other")), one], TOKEN, now_ms) == (one if counts else None)
    assert held([one], TOKEN[:-1] + "w", now_ms) is None
    assert held([], TOKEN, now_ms) is None


def test_what_has_not_a_token_s_form_is_none() -> None:
    """Not even where its digest is on the list: nobody gave out such a token."""
    for text in ("", "gpt_", TOKEN + "x", TOKEN[:-1], TOKEN[:-1] + "é", f" {TOKEN}"):
        assert held([grant(digest=digest(text))], text, 0) is None
    assert digest(TOKEN) == hashlib.sha256(TOKEN.encode()).hexdigest()


def test_without_people_it_is_whoever_is_said() -> None:
    """As on a paper sheet: names are taken as they come, and silence leaves it to what is in hand."""
    asker = Asker(scope=Scope.OPERATE, name="mqtt")
    assert [asker.operator(said) for said in ("M2", None)] == ["M2", None]
    assert [asker.in_hand(said) for said in ("M2", None)] == ["M2", None]


def test_who_is_signed_in_acts_as_themselves() -> None:
    """Their own name may be said or left out; any other, a person's or not, is refused."""
    asker = Asker(scope=Scope.OPERATE, name="M2", session="3", people=PEOPLE)
    assert asker.signed_in
    assert asker.operator(None) == asker.operator("M2") == asker.in_hand("M2") == "M2"
    assert asker.in_hand(None) is None
    for said in ("M1", "visitor", "m2"):
        with pytest.raises(NotTheirs, match="M2 is signed in, not"):
            asker.operator(said)
        with pytest.raises(NotTheirs):
            asker.in_hand(said)


def test_a_program_can_name_no_person() -> None:
    """It is recorded by its own name, or by one that is nobody's; a person's id is refused however it is written."""
    asker = Asker(scope=Scope.OPERATE, name="quality-pc", people=PEOPLE)
    assert not asker.signed_in
    assert asker.operator(None) == "quality-pc"
    assert asker.operator("night shift") == asker.in_hand("night shift") == "night shift"
    assert asker.in_hand(None) is None
    for said in ("M2", " m2", "M\uff12"):  # a full-width two reads like any other
        with pytest.raises(NotTheirs, match="nobody proved to be them"):
            asker.operator(said)
        with pytest.raises(NotTheirs):
            asker.in_hand(said)
    named = Asker(scope=Scope.OPERATE, name="M2", people=PEOPLE)  # a broker that is called so proves nobody
    with pytest.raises(NotTheirs, match="nobody proved"):
        named.operator("M2")


def test_names_that_read_alike_are_alike() -> None:
    """Letters' case, compatibility forms and blanks around make no other person."""
    assert alike(" M2 ") == alike("m\uff12") == "m2"
    assert alike("M2") != alike("M-2")


@pytest.mark.parametrize("name", ["a", "0", "M2", "quality-pc", "cell_7.b", "x" * 63])
def test_ids_and_names_of_tokens(name: str) -> None:
    """Letters, digits, dots, hyphens and underscores, 63 at most."""
    assert checked_id(name) == checked_name(name) == name


@pytest.mark.parametrize("name", ["", " M2", "-x", ".x", "M 2", "M2\n", "Ü1", "x" * 64])
def test_what_is_no_id_and_no_name(name: str) -> None:
    """It is refused with how to write one."""
    for check in (checked_id, checked_name):
        with pytest.raises(ValueRefused) as refused:
            check(name)
        assert "63 at most" in refused.value.hint


@pytest.mark.parametrize("pin", ["483920", "739104", "112233", "123457", "024680", "908070605040"])
def test_a_pin(pin: str) -> None:
    """Six to twelve digits (NIST SP 800-63B, 5.1.1.1: six at least) that are neither equal nor in order."""
    assert checked_pin(pin) == pin


@pytest.mark.parametrize(
    "pin", ["000000", "77777777", "123456", "012345", "789012", "654321", "210987", "123456789012"]
)
def test_pins_that_anybody_tries_first(pin: str) -> None:
    """Equal digits, and digits in order up or down, past nine and nought too; the PIN itself is not repeated."""
    with pytest.raises(ValueRefused, match="among the first that anybody tries") as refused:
        checked_pin(pin)
    assert pin not in str(refused.value)


@pytest.mark.parametrize(
    "pin", ["", "48392", "4839201234567", "48392a", "48392\u0663", " 483920", "483920\n"]
)
def test_what_is_no_pin(pin: str) -> None:
    """Too few digits, too many, or anything else."""
    with pytest.raises(ValueRefused, match="this is no PIN"):
        checked_pin(pin)


@pytest.mark.parametrize("code", ["x7Kq2mB9", "a b c d e", "Ü" * 200])
def test_a_code(code: str) -> None:
    """Eight to two hundred characters that print."""
    assert checked_code(code) == code


@pytest.mark.parametrize(
    "code", ["", "x7Kq2mB", "x" * 201, " x7Kq2mB9", "x7Kq2mB9\n", "x7Kq\x002mB9", "x7Kq2mB9 "]
)
def test_what_is_no_code(code: str) -> None:
    """Too short, too long, or what a scanner adds; it is not repeated."""
    with pytest.raises(ValueRefused, match="no code to sign in with"):
        checked_code(code)


@pytest.mark.parametrize("name", ["Example, Mara", "李", "x" * 100])
def test_a_name_in_print(name: str) -> None:
    """As it stands below a signature, in up to 100 characters."""
    assert checked_printed_name(name) == name


@pytest.mark.parametrize("name", ["", "  ", " Mara", "Mara ", "Mara\n", "Ma\x07ra", "x" * 101])
def test_what_is_no_name_in_print(name: str) -> None:
    """Nothing, what has blanks around it, does not print or is too long."""
    with pytest.raises(ValueRefused, match="no name in print"):
        checked_printed_name(name)


def test_what_is_told_of_somebody() -> None:
    """Which ways they sign in and since when, and no hash."""
    known = person(pin="scrypt-1", code="scrypt-2", name="Example, Mara", added_at=1_795_000_000_000)
    assert person_document(known) == {
        "id": "M2", "name": "Example, Mara", "role": "operator", "counts": True, "pin": True, "code": True,
        "added_at": "2026-11-18T11:06:40.000Z", "changed_by": "M1", "revoked_at": None,
    }  # fmt: skip
    gone = person_document(person(revoked_at=1_795_000_000_000))
    assert (gone["counts"], gone["pin"], gone["code"]) == (False, False, False)
    assert gone["revoked_at"] == "2026-11-18T11:06:40.000Z"


@pytest.mark.parametrize("free", [FREE_FOR_A_PERSON, FREE_FOR_AN_ADDRESS])
def test_waits_grow_from_half_a_minute_to_an_hour(free: int) -> None:
    """After a few free tries each wrong one doubles the wait (NIST SP 800-63B, 5.2.2: from 30 s to an hour)."""
    waits = [Tries(wrong, 5000).wait_ms(5000, free) / 1000 for wrong in range(free - 1, free + 10)]
    assert waits == [0, 30, 60, 120, 240, 480, 960, 1920, 3600, 3600, 3600]
    assert Tries(10**9, 5000).wait_ms(5000, free) == 3_600_000


@pytest.mark.parametrize(
    ("passed", "left"), [(0, 30_000), (1, 29_999), (29_999, 1), (30_000, 0), (99_000, 0), (-1, 30_000)]
)
def test_a_wait_ends_by_the_clock(passed: int, left: int) -> None:
    """What has passed since the last try is taken off; a clock that was set back makes nobody wait longer."""
    assert Tries(3, 100_000).wait_ms(100_000 + passed, 3) == left


def test_tries_in_a_row_are_counted_to_the_end() -> None:
    """A hundred wrong ones end it (NIST SP 800-63B, 5.2.2); one that turned out right is taken back."""
    tries = Tries()
    for at in range(100):
        assert not tries.ended
        tries = tries.another(at)
    assert (tries, tries.ended) == (Tries(100, 99), True)
    assert tries.another(200) == Tries(101, 200)
    assert Tries(101).ended
    assert tries.without_one() == Tries(99, 99)
    assert Tries(0, 7).without_one() == Tries(0, 7)


def test_whoever_must_wait_reads_how_long() -> None:
    """So many seconds; after the end only a new PIN helps."""
    wait, end = TooManyTries(30), TooManyTries(None)
    assert (wait.wait_s, wait.hint) == (30, "wait 30 s")
    assert end.wait_s is None
    assert "gives a new PIN" in end.hint
