"""The bench page as files: where they are, under which policy, and who may have them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.core import record
from gaugepost.service.door.permission import Permission
from gaugepost.service.door.scopes import is_open
from gaugepost.service.page.files import FOLDER, read_all
from tests.service.at_work import at_work

WORDS = {
    path.stem: json.loads(path.read_text(encoding="utf-8")) for path in (FOLDER / "words").glob("??.json")
}
MOST_BYTES = 500_000


def scripts() -> Iterator[tuple[Path, str]]:
    """Yield every script of the page with its text."""
    for path in sorted(FOLDER.rglob("*.js")):
        yield path, path.read_text(encoding="utf-8")


def test_every_language_has_every_text() -> None:
    """Each language's catalogue has the same keys, none of them empty, with the same parts to be filled in."""
    assert set(WORDS) == {"en", "de"}
    for name, texts in WORDS.items():
        assert set(texts) == set(WORDS["en"]), name
        for key, text in texts.items():
            assert text.strip(), f"{name}: {key}"
            assert set(re.findall(r"\{\w+\}", text)) == set(re.findall(r"\{\w+\}", WORDS["en"][key])), key


def test_every_text_that_is_asked_for_is_there() -> None:
    """What scripts and pages ask the catalogue for by a whole key, it has."""
    asked = set()
    for path, text in scripts():
        asked |= {(path.name, key) for key in re.findall(r'\bt\("([a-z_.-]+)"', text)}
    for path in FOLDER.glob("*.html"):
        asked |= {(path.name, key) for key in re.findall(r'data-word(?:-label)?="([^"]+)"', path.read_text())}
    assert len(asked) > 60
    assert not [each for each in asked if each[1] not in WORDS["en"]]


@pytest.mark.parametrize(
    ("room", "words"),
    [
        ("word", record.VERDICTS),
        ("decision", record.DECISIONS),
        ("rule", record.RULES),
        ("conformity", record.CONFORMITIES),
        ("remedy", record.REMEDIES),
        ("source", record.SOURCES),
        ("body", record.BODIES),
        ("meaning", record.MEANINGS),
    ],
)
def test_every_word_of_the_vocabulary_has_its_text(room: str, words: tuple[str, ...]) -> None:
    """Each word of a record's closed lists that the page shows is said in every language."""
    assert not [word for word in words if f"{room}.{word}" not in WORDS["en"]]


def test_nothing_comes_from_elsewhere_and_nothing_is_inline() -> None:
    """No file names another host, and no page has a script, a style or an event of its own in it."""
    for path in FOLDER.rglob("*"):
        if path.is_file():
            text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
            assert "://" not in text, path
    for path in FOLDER.glob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<style|\son\w+=|\sstyle=|<script(?![^>]*\ssrc=)", text), path
    for path, text in scripts():
        assert not re.search(r"innerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", text), (
            path
        )


def test_the_first_screen_is_loaded_at_once() -> None:
    """Everything that the page begins with is named in it, so that no script waits for another to come."""
    named = set(
        re.findall(
            r'modulepreload" href="/page/([^"]+)"', (FOLDER / "index.html").read_text(encoding="utf-8")
        )
    )
    begins: set[Path] = set()
    follow = [FOLDER / "app" / "main.js", FOLDER / "measure" / "measure.js"]
    while follow:
        script = follow.pop()
        if script not in begins:
            begins.add(script)
            imported = re.findall(
                r'^import [^;]+ from "([^"]+)";', script.read_text(encoding="utf-8"), re.MULTILINE
            )
            follow += [(script.parent / name).resolve() for name in imported]
    assert named == {path.relative_to(FOLDER).as_posix() for path in begins} - {"app/main.js"}


def test_it_all_is_small() -> None:
    """The page with everything it may ever load, sent as it is, has under 500 kB."""
    assert sum(len(file.content) for file in read_all().values()) < MOST_BYTES


def test_a_file_can_be_read_in_one_sitting() -> None:
    """No script or style sheet reaches 400 lines."""
    long = [path for path in FOLDER.rglob("*") if path.suffix in (".js", ".css") and _lines(path) >= 400]
    assert not long


def _lines(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines())


@pytest.mark.asyncio
async def test_the_page_is_served_under_its_policy(tmp_path: Path) -> None:
    """Every file comes as what it is, under a policy that lets only our own files run, and once only."""
    async with at_work(tmp_path) as station:
        for path, kind in (
            ("/", "text/html"),
            ("/sign-in", "text/html"),
            ("/page/app/main.js", "text/javascript"),
            ("/page/common/base.css", "text/css"),
            ("/page/words/de.json", "application/json"),
            ("/page/common/icon.svg", "image/svg+xml"),
        ):
            answer = await station.http.get(path)
            assert answer.status_code == 200, path
            assert answer.headers["content-type"].startswith(kind)
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            again = await station.http.get(path, headers={"If-None-Match": answer.headers["etag"]})
            assert (again.status_code, again.content) == (304, b"")
        for path in (
            "/page/app/none.js",
            "/page/app",
            "/page/app/../main.js",
            "/page/..%2f..%2froutes.py",
            "/page/",
        ):
            assert (await station.http.get(path)).status_code == 404, path


def test_what_signs_in_is_open_and_nothing_else() -> None:
    """Whoever may look at nothing yet gets the sign-in page with what it loads, and no other file."""
    loads = {f"/page/{name}" for name in read_all() if name.startswith(("common/", "words/"))}
    assert all(is_open("GET", path) for path in ("/sign-in", *loads))
    for path in (
        "/",
        "/page/app/main.js",
        "/page/words/../app/main.js",
        "/v1/station",
        "/page/common",
        "/sign-in/x",
    ):
        assert not is_open("GET", path), path
    assert not is_open("POST", "/sign-in")
    imported = set()
    for script, text in scripts():
        if script.parent.name == "common":
            imported |= set(re.findall(r'from "([^"]+)"', text))
    assert all(name.startswith("./") for name in imported), "the sign-in page loads only what is open"


@pytest.mark.asyncio
async def test_a_browser_without_a_session_is_sent_to_sign_in(tmp_path: Path) -> None:
    """Where looking takes a session, the page's address leads to where one signs in; its other files are refused."""
    async with at_work(tmp_path) as station:
        permission = station.api.user_middleware[0].kwargs["permission"]
        assert isinstance(permission, Permission)
        permission.demanded = True
        page = await station.http.get("/")
        assert (page.status_code, page.headers["location"]) == (303, "/sign-in")
        assert (await station.http.get("/sign-in")).status_code == 200
        assert (await station.http.get("/page/app/main.js")).status_code == 401
        assert (await station.http.get("/v1/measuring")).status_code == 401
