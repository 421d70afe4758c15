"""Documents are held to the program: it takes their words, it reads their station files, and all is typed."""

from __future__ import annotations

import ast
import contextlib
import importlib
import io
import re
import tomllib
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import tomlkit

from gaugepost import cli
from gaugepost.contract import kit
from gaugepost.edge.stationfile import read_station
from tests.docs.desk import first_station
from tests.docs.documents import COMMENTED, DOCUMENTS, ROOT, Block, Command, blocks, commands, of_comments
from tests.docs.elsewhere import NOT_TYPED
from tests.docs.words import is_named, is_whole, made, refused, told

WALKS = tuple(path.stem for path in sorted(Path(__file__).parent.glob("test_typed_*.py")))

NEEDED = """
[links.scanner-port]
kind = "serial_port"
device = "/dev/ttyUSB7"
decoder = { kind = "code_text" }
[links.pedal-port]
kind = "serial_port"
device = "/dev/ttyUSB8"
decoder = { kind = "code_text" }
"""
"""What parts of a station file in the documents rest on, beside the station that a reader has written by then."""


def _walked() -> set[tuple[str, str]]:
    """Return the sections of documents that somebody types, as the tests say that do it."""
    return {
        (document, heading)
        for name in WALKS
        for document, headings in importlib.import_module(f"tests.docs.{name}").SECTIONS.items()
        for heading in headings
    }


def _said() -> Iterator[Command]:
    for document in DOCUMENTS:
        yield from told(document)


def test_every_command_is_typed_or_has_its_reason() -> None:
    """A command that a document says to type is in a section that a test walks, or listed with why it is not typed."""
    walked = _walked()
    nowhere = [
        str(command)
        for command in _said()
        if (command.document, command.heading) not in walked and command.text not in NOT_TYPED
    ]
    assert nowhere == [], (
        "walk their sections in tests/docs/test_typed_*.py, or give a reason in elsewhere.py"
    )


def test_no_reason_is_left_over() -> None:
    """What is listed as not typed, and what is walked, stands in a document."""
    said = list(_said())
    assert set(NOT_TYPED) - {command.text for command in said} == set()
    assert _walked() - {(command.document, command.heading) for command in said} == set()


def test_every_word_is_one_that_the_program_takes() -> None:
    """Each command of ours in a document, or in a comment in deploy, is parsed by the program's own parser."""
    wrong = {}
    for document in (*DOCUMENTS, *COMMENTED):
        found = commands(document) if document in DOCUMENTS else of_comments(document)
        for command in found:
            if command.text.startswith("gaugepost ") and not (is_named(command.text) and not command.block):
                wrong[str(command)] = refused(command.text)
    assert {command: why for command, why in wrong.items() if why} == {}
    assert len(wrong) > 40, "they are found"


def test_every_target_is_one_that_make_has() -> None:
    """Each `make` in a document names a target, with variables that it takes."""
    said = {command.text for command in _said() if command.text.startswith("make ")}
    assert said
    for text in said:
        assert made(text), text


def _tables() -> list[Block]:
    return [
        block
        for document in DOCUMENTS
        for block in blocks(document)
        if block.language == "toml" or (block.language == "" and re.match(r"\[{1,2}\w|\w+ = ", block.text))
    ]


@pytest.mark.parametrize("block", _tables(), ids=str)
def test_every_station_file_and_part_is_read(block: Block, tmp_path: Path) -> None:
    """A station file in a document is one that can run; a part of one is, put into the reader's."""
    said = tomllib.loads(block.text)
    if "station" not in said:
        if not any(isinstance(value, dict) for value in said.values()):
            said = {
                "characteristics": {"bush-bore": said}
            }  # keys of the table that the sentence before speaks of
        said = _merged(_merged(tomllib.loads(first_station()), tomllib.loads(NEEDED)), said)
    text = tomlkit.dumps(said)
    station = read_station(tmp_path / "station.toml", text=text)
    assert station.set_up.gauges
    with pytest.raises(Exception, match="nonsense"):
        read_station(tmp_path / "station.toml", text=f"{text}\n[nonsense]\n")


def _merged(base: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    both = {name for name in more if isinstance(more[name], dict) and isinstance(base.get(name), dict)}
    return {**base, **more, **{name: _merged(base[name], more[name]) for name in both}}


def test_the_examples_are_checked_as_their_comments_say(monkeypatch: pytest.MonkeyPatch) -> None:
    """`gaugepost check` on each station file in deploy/stations finds nothing that is wrong."""
    folder = ROOT / "deploy" / "stations"
    monkeypatch.chdir(folder)
    examples = sorted(path.name for path in folder.glob("*.toml"))
    assert "minimal.toml" in examples
    for example in examples:
        said = io.StringIO()
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            assert cli.main(["check", example]) == 0, said.getvalue()


def test_the_example_of_an_adapter_s_test_is_a_test() -> None:
    """The Python in DEVELOPERS.md imports what there is and calls what the kit has."""
    (block,) = [block for block in blocks("DEVELOPERS.md") if block.text.startswith("from gaugepost")]
    tree = ast.parse(block.text)
    imported = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    for node in imported:
        module = importlib.import_module(str(node.module))
        for name in node.names:
            assert hasattr(module, name.name) or find_spec(f"{node.module}.{name.name}")
    called = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "decoders"
    }
    assert called
    assert all(hasattr(importlib.import_module(f"{kit.__name__}.decoders"), name) for name in called)


def test_a_new_command_would_be_found() -> None:
    """What is looked for is found wherever it can stand: in blocks, sentences over two lines, lists, tables."""
    assert is_whole(Command("README.md", "", 1, "gaugepost verify DATA_FOLDER --numbers", block=False))
    assert not is_whole(Command("README.md", "", 1, "gaugepost verify --numbers", block=False))
    assert refused("gaugepost verify DATA_FOLDER --nonsense")
    assert refused("gaugepost nonsense")
    texts = {command.text for command in _said()}
    for text in (
        "gaugepost bench show",
        'gaugepost limits "38 H7" "0.8120 in +0.0007/-0"',
        "gaugepost restore FILE DATA_FOLDER",
        "gaugepost drift --station station.toml --gauge bore-38 --by gauge,operator",
        "gaugepost deliveries retry charts --all",
    ):
        assert text in texts
    for document in DOCUMENTS:
        found = " ".join(command.text for command in commands(document))
        for line in (ROOT / document).read_text(encoding="utf-8").split("\n"):
            if re.match(r" +(gaugepost|make|curl|python|sudo) [a-z-]", line):
                assert " ".join(line.split("#")[0].rstrip(" \\").split()) in " ".join(found.split()), line
