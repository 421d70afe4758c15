"""People who sign in at a running station: ids that are theirs alone, roles, sessions, few tries."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gaugepost.core.access import Role, Scope, Tries
from gaugepost.core.indication import Moment
from gaugepost.edge.access import AccessFile, PeopleFile, TriesFile, secret
from gaugepost.edge.access.tries import AllTries
from gaugepost.service.door.cookies import UNATTENDED_HEADER
from gaugepost.service.door.sessions import IDLE_MS
from tests.service.at_work import AtWork, at_work

pytestmark = pytest.mark.asyncio
PIN, OTHER = "483920", "739104"


@pytest.fixture(autouse=True)
def _cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hash at little cost: what it costs is held by tests/edge/test_secret.py."""
    monkeypatch.setattr(secret, "_LOG_N", 4)


def people(folder: Path, **roles: Role) -> PeopleFile:
    """Add people with `PIN` where the station in `folder` keeps them."""
    file = PeopleFile(folder / "data")
    for name, role in (roles or {"M1": Role.ADMINISTRATOR, "M2": Role.OPERATOR}).items():
        file.add(name, role, 1, "test", pin=PIN)
    return file


@contextlib.asynccontextmanager
async def sign_in(station: AtWork, id: str = "M2", pin: str = PIN) -> AsyncIterator[httpx.AsyncClient]:  # noqa: A002
    """Lend a browser in which somebody signed in, as far as the service can see."""
    async with httpx.AsyncClient(base_url=station.address, trust_env=False, timeout=60) as browser:
        browser.headers["Origin"] = station.address
        browser.headers["Sec-Fetch-Site"] = "same-origin"
        answer = await browser.post("/v1/session", json={"id": id, "pin": pin})
        assert answer.status_code == 200, answer.text
        browser.headers["X-CSRF-Token"] = answer.json()["csrf"]
        yield browser


async def test_signed_in_is_who_commands(tmp_path: Path) -> None:
    """Who signed in is recorded with what they command, and can name nobody else; looking stays open on loopback."""
    people(tmp_path)
    async with at_work(tmp_path) as station:
        assert (await station.http.get("/v1/station")).status_code == 200
        assert (await station.http.put("/v1/tags", json={"lot": "L1"})).status_code == 401
        async with sign_in(station) as browser:
            told = (await browser.get("/v1/session")).json()
            assert (told["person"], told["role"], told["may"]) == ("M2", "operator", "operate")
            said = {"what": "knock"}
            answer = await browser.post("/v1/gauges/bore-38/reports", json=said)
            assert answer.status_code == 200, answer.text
            (record,) = answer.json()["records"]
            assert (await station.get(f"/v1/records/{record}"))["operator"] == "M2"
            answer = await browser.post("/v1/gauges/bore-38/reports", json=said | {"operator": "M1"})
            assert answer.status_code == 403
            assert "M2 is signed in" in answer.json()["detail"]
            assert (await browser.put("/v1/tags", json={"operator": "M1"})).status_code == 403
            assert (await browser.put("/v1/tags", json={"operator": "M2"})).status_code == 200
            assert station.running.recorder.state.operator == "M2"
            assert (await browser.delete("/v1/session")).status_code == 200
            assert (await station.get("/v1/station"))["tags"]["operator"] is None
            assert (await browser.put("/v1/tags", json={"lot": "L1"})).status_code == 401


async def test_a_program_is_nobody(tmp_path: Path) -> None:
    """A token is recorded by its own name, and can claim no person's id, however it is written."""
    people(tmp_path)
    token = AccessFile(tmp_path / "data").grant("cell-7", scope=Scope.OPERATE, now_ms=1)
    async with at_work(tmp_path) as station:
        station.http.headers["Authorization"] = f"Bearer {token}"
        for name in ("M2", "m2", " M2", "Ｍ２"):
            answer = await station.http.put("/v1/tags", json={"operator": name})
            assert answer.status_code == 403, name
        answer = await station.http.post("/v1/gauges/bore-38/reports", json={"what": "knock"})
        (record,) = answer.json()["records"]
        assert (await station.get(f"/v1/records/{record}"))["operator"] == "cell-7"


async def test_every_command_is_held_to_who_asks(tmp_path: Path) -> None:
    """Whatever takes an operator refuses somebody else's id: the description of the interface says which those are."""
    people(tmp_path, M2=Role.SETTER, M1=Role.ADMINISTRATOR)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        described = (await browser.get("/v1/openapi.json")).json()
        looked_at = 0
        for path, methods in described["paths"].items():
            for method, route in methods.items():
                fields = _fields(described, route)
                if "operator" not in fields:
                    continue
                body = {name: _any(described, field) for name, field in fields.items() if field.get("needed")}
                address = path.format(name="bore-38", id="1")
                said = {**body, "operator": "M1"}
                answer = await browser.request(method, address, json=said)
                assert answer.status_code == 403, (method, path, answer.text)
                looked_at += 1
        assert looked_at > 12


async def test_roles(tmp_path: Path) -> None:
    """An operator skips no records, a setter adds nobody, an administrator may all of it."""
    people(tmp_path, O1=Role.OPERATOR, S1=Role.SETTER, A1=Role.ADMINISTRATOR)
    skip = {"records": ["1"], "reason": "test"}
    wanted = {"O1": (403, 403), "S1": (404, 403), "A1": (404, 200)}
    async with at_work(tmp_path) as station:
        for name, statuses in wanted.items():
            async with sign_in(station, name) as browser:
                skipped = await browser.post("/v1/destinations/no-such/skip", json=skip)
                listed = await browser.get("/v1/people")
                assert (skipped.status_code, listed.status_code) == statuses, (name, skipped.text)
                assert "scrypt" not in listed.text


async def test_commands_of_another_page_are_refused(tmp_path: Path) -> None:
    """A cookie alone commands nothing: it takes our own page's origin and the token that only it can read.

    Source: OWASP Cross-Site Request Forgery Prevention Cheat Sheet.
    """
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        tag = {"lot": "L1"}
        good = dict(browser.headers)
        wrongs: list[dict[str, str | None]] = [
            {"X-CSRF-Token": None},
            {"X-CSRF-Token": "A" * 43},
            {"X-CSRF-Token": "ä".encode("latin-1").decode("latin-1")},
            {"Sec-Fetch-Site": "cross-site"},
            {"Sec-Fetch-Site": "same-site"},
            {"Sec-Fetch-Site": "none"},
            {"Sec-Fetch-Site": None, "Origin": None},
            {"Origin": "http://shop.example"},
        ]
        for wrong in wrongs:
            browser.headers = httpx.Headers(
                [
                    (key, value.encode("latin-1"))
                    for key, value in {**_lower(good), **_lower(wrong)}.items()
                    if value
                ]
            )
            answer = await browser.put("/v1/tags", json=tag)
            assert answer.status_code == 403, (wrong, answer.text)
            assert station.running.recorder.state.lot is None
        browser.headers = httpx.Headers(good)
        assert (await browser.put("/v1/tags", json=tag)).status_code == 200


async def test_signing_in_is_for_our_page_only(tmp_path: Path) -> None:
    """A page elsewhere signs nobody in, not even itself: whoever uses the browser then would act as somebody else."""
    people(tmp_path)
    async with at_work(tmp_path) as station:
        said = {"id": "M2", "pin": PIN}
        for headers in ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://shop.example"}):
            answer = await station.http.post("/v1/session", json=said, headers=headers)
            assert answer.status_code == 403
            assert "set-cookie" not in answer.headers


async def test_the_cookie(tmp_path: Path) -> None:
    """No script sees the cookie, no other site's request brings it, and it is another one at each sign-in."""
    people(tmp_path)
    async with at_work(tmp_path) as station:
        said = {"id": "M2", "pin": PIN}
        first = await station.http.post("/v1/session", json=said)
        attributes = {part.strip().lower() for part in first.headers["set-cookie"].split(";")[1:]}
        assert {"httponly", "samesite=strict", "path=/"} <= attributes
        assert not any(each.startswith("domain") for each in attributes)
        second = await station.http.post("/v1/session", json=said)
        old, new = (each.headers["set-cookie"].split(";")[0] for each in (first, second))
        assert old != new
        station.http.cookies.clear()
        for cookie, person in ((old, None), (new, "M2"), (f"{new}; {old}", None)):
            told = (await station.http.get("/v1/session", headers={"Cookie": cookie})).json()
            assert told["person"] == person, cookie


async def test_sessions_end(tmp_path: Path) -> None:
    """A session ends when it is idle, when its person is revoked or has a new PIN, and by an administrator."""
    file = people(tmp_path)
    async with at_work(tmp_path) as station:
        async with sign_in(station, "M1") as chief, sign_in(station) as browser:
            listed = (await chief.get("/v1/sessions")).json()["sessions"]
            (number,) = [each["session"] for each in listed if each["person"] == "M2"]
            assert (await chief.delete(f"/v1/sessions/{number}")).status_code == 200
            assert (await browser.get("/v1/session")).json()["person"] is None
        async with sign_in(station) as browser:
            file.set_secret("M2", 2, "test", pin=OTHER)
            assert (await browser.get("/v1/session")).json()["person"] is None
        async with sign_in(station, pin=OTHER) as browser:
            file.revoke("M2", 3, "test")
            assert (await browser.get("/v1/session")).json()["person"] is None
        async with sign_in(station, "M1") as chief:
            clock = station.api.state.sessions._now
            station.api.state.sessions._now = lambda: _later(clock(), IDLE_MS)
            assert (await chief.get("/v1/session")).json()["person"] is None


async def test_a_page_alone_is_no_use(tmp_path: Path) -> None:
    """What a page asks for while nobody touches it keeps no session; what somebody looks at or commands does."""
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station) as browser:
        sessions = station.api.state.sessions
        clock, hours = sessions._now, 0.0
        sessions._now = lambda: _later(clock(), round(hours * IDLE_MS))
        alone = {UNATTENDED_HEADER: "yes"}
        for hours, headers in ((0.6, {}), (1.2, alone), (1.5, {}), (2.1, alone)):
            assert (await browser.get("/v1/health", headers=headers)).status_code == 200
            assert (await browser.get("/v1/session", headers=alone)).json()["person"] == "M2", hours
        assert (await browser.put("/v1/tags", json={"lot": "L1"}, headers=alone)).status_code == 200
        hours = 3.0
        assert (await browser.get("/v1/session", headers=alone)).json()["person"] == "M2"
        hours = 3.2
        assert (await browser.get("/v1/session", headers=alone)).json()["person"] is None


async def test_a_pin_of_ones_own(tmp_path: Path) -> None:
    """Somebody chooses another PIN with the old one, and whoever gave the old one does not know the new one."""
    people(tmp_path)
    async with at_work(tmp_path) as station:
        async with sign_in(station) as browser:
            for said in ({"pin": OTHER, "new_pin": OTHER}, {"pin": PIN, "new_pin": "111111"}):
                answer = await browser.post("/v1/session/pin", json=said)
                assert answer.status_code in (409, 422), answer.text
                assert not any(secret in answer.text for secret in said.values())
            assert (
                await browser.post("/v1/session/pin", json={"pin": PIN, "new_pin": OTHER})
            ).status_code == 200
            assert (await browser.get("/v1/session")).json()["person"] is None
        async with sign_in(station, pin=OTHER):
            pass


async def test_a_code_says_who(tmp_path: Path) -> None:
    """A scanned code signs in by itself; somebody else's can't be taken."""
    people(tmp_path)
    async with at_work(tmp_path) as station, sign_in(station, "M1") as chief:
        said = {"id": "M3", "role": "operator", "code": "badge-7fd01c22"}
        assert (await chief.post("/v1/people", json=said)).status_code == 200
        answer = await chief.patch("/v1/people/M2", json={"code": "badge-7fd01c22"})
        assert answer.status_code == 409
        answer = await station.http.post("/v1/session", json={"code": "badge-7fd01c22"})
        assert answer.json()["person"] == "M3"
        station.http.cookies.clear()
        answer = await station.http.post("/v1/session", json={"code": "badge-7fd01c23"})
        assert answer.status_code == 401
        assert (await chief.delete("/v1/people/M1")).status_code == 409, "the only administrator"


async def test_tries_are_few(tmp_path: Path) -> None:
    """After three wrong PINs it has to be waited, with the right one too, and a restart is no way around it.

    An id that nobody has is answered in the same words (OWASP Authentication Cheat Sheet); source of the limits: NIST
    SP 800-63B, 5.2.2.
    """
    people(tmp_path)
    async with at_work(tmp_path) as station:
        for name in ("M2", "nobody"):
            for _ in range(3):
                answer = await station.http.post("/v1/session", json={"id": name, "pin": OTHER})
                assert answer.status_code == 401
                assert "id and PIN" in answer.json()["hint"]
        answers = [
            await station.http.post("/v1/session", json={"id": name, "pin": PIN})
            for name in ("M2", "m2", "nobody")
        ]
    async with at_work(tmp_path) as station:
        answers.append(await station.http.post("/v1/session", json={"id": "M2", "pin": PIN}))
    for answer in answers:
        assert answer.status_code == 429, answer.text
        assert answer.json()["detail"] == "there were too many wrong tries"
        assert 1 <= int(answer.headers["Retry-After"]) <= 30


async def test_an_address_has_few_tries_too(tmp_path: Path) -> None:
    """Somebody who tries one PIN with many ids has to wait, whoever they say to be."""
    people(tmp_path)
    async with at_work(tmp_path) as station:
        now = station.running.now().utc_ms
        TriesFile(tmp_path / "data").write(AllTries(addresses={"127.0.0.1": Tries(20, now)}))
        answer = await station.http.post("/v1/session", json={"id": "M2", "pin": PIN})
        assert answer.status_code == 429


async def test_a_hundred_wrong_ones_end_it(tmp_path: Path) -> None:
    """After a hundred wrong tries in a row only a new PIN helps, and it does."""
    file = people(tmp_path)
    TriesFile(tmp_path / "data").write(AllTries(people={"m2": Tries(100, 2)}))
    async with at_work(tmp_path) as station:
        answer = await station.http.post("/v1/session", json={"id": "M2", "pin": PIN})
        assert answer.status_code == 429
        assert "gaugepost access pin" in answer.json()["hint"]
        file.set_secret("M2", 3, "test", pin=OTHER)
        async with sign_in(station, pin=OTHER):
            pass


async def test_without_people_nothing_changes(tmp_path: Path) -> None:
    """Where nobody was added, commands on loopback are taken as ever, and who acts is what is said."""
    async with at_work(tmp_path) as station:
        assert (await station.http.put("/v1/tags", json={"operator": "M2"})).status_code == 200
        assert (await station.http.get("/v1/session")).json()["people"] is False
        answer = await station.http.post("/v1/session", json={"id": "M2", "pin": PIN})
        assert answer.status_code == 409
        assert "gaugepost access add" in answer.json()["hint"]
        said = {"id": "M9", "role": "administrator", "pin": PIN}
        assert (await station.http.post("/v1/people", json=said)).status_code == 403


@pytest.mark.parametrize(
    ("text", "mode"), [("{", 0o600), ('{"format": 1, "people": [{}], "code_salt": null}', 0o600), ("", 0o644)]
)
async def test_damaged_people_let_nobody_in(text: str, mode: int, tmp_path: Path) -> None:
    """Where it can't be read who may come in, nobody commands and the answer says what to do."""
    async with at_work(tmp_path) as station:
        file = tmp_path / "data" / "people.json"
        file.write_text(text)
        file.chmod(mode)
        for answer in (
            await station.http.put("/v1/tags", json={"lot": "L1"}),
            await station.http.post("/v1/session", json={"id": "M2", "pin": PIN}),
        ):
            assert answer.status_code == 503
            assert answer.json()["hint"]


def _later(moment: Moment, by_ms: int) -> Moment:
    return replace(moment, clock_ms=moment.clock_ms + by_ms)


def _lower(headers: Any) -> dict[str, Any]:
    return {key.lower(): value for key, value in headers.items()}


def _fields(described: dict[str, Any], route: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the fields of a route's body, each with whether it is needed."""
    schema = route.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema", {})
    for part in (schema, *schema.get("anyOf", ())):
        if "$ref" in part:
            model = described["components"]["schemas"][part["$ref"].rpartition("/")[2]]
            needed = model.get("required", ())
            return {name: {**field, "needed": name in needed} for name, field in model["properties"].items()}
    return {}


def _any(described: dict[str, Any], field: dict[str, Any]) -> Any:
    """Return something that fits a field."""
    if "pattern" in field and field["pattern"].startswith("^[0-9a-f]"):
        return "0" * 64
    if "enum" in field:
        return field["enum"][0]
    return {"array": ["1"], "object": {}, "integer": 1, "boolean": False}.get(field.get("type", ""), "x")
