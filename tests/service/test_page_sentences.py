"""The sentences that the service says, and the catalogues that have the page say them in another language."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.service.page.files import FOLDER

DAEMON = Path(__file__).parents[2] / "daemon" / "gaugepost"
ADAPTERS = DAEMON.parents[1] / "adapters" / "gaugepost_adapters"
CATALOGUES = sorted((FOLDER / "words").glob("told.*.json"))
HOLE = re.compile(r"\{(\d)#?\}")
INSIDE = re.compile(r"\{\d#?\}|: | (?:at least )?every |^no | (?=after all)|(?=, )")
"""What parts a sentence into texts that the program has as they are: schedules say "every" by another hole."""
SHOWN = (
    "apply.py",
    "schedule.py",
    "standing.py",
    "measuring.py",
    "outcomes.py",
    "procedures.py",
    "state.py",
    "trust/*.py",
    "judging/*.py",
    "combining/*.py",
    "budgeting/budgets.py",
    "budgeting/bodies.py",
    "budgeting/expected.py",
    "budgeting/several.py",
    "commands/afterwards.py",
    "commands/recall.py",
    "arrivals/window.py",
)
"""Of the bench: who says what a person at the page is to read."""
TEACHES = ("teach/deciding.py", "teach/search.py", "teach/outlook.py", "teach/typed.py")
"""And of teaching."""
APART = {
    "material of the master",  # a budget's row
    "the gauge's own masterings and checks",  # a budget's source
    "a clock that went back makes a check due",  # an assertion
    "at least every",  # inside of other sentences
    "before the next piece",
    "after all {} readings of {}",
    "with a check",
    ", and with it {}, made of it",
    "more than {} bytes",
    "characteristic is selected",
    "piece is named",
    "for what is older: gaugepost trace gauge {} --suspect",  # of the command line
    "{} readings can't be taken",  # what no button of the page asks for
    "ask for 1 to {}",
    "{} is no movement",
    "say larger or smaller",
    'write "{serial_number}" or "{master}" into the codes of a scanner',  # of whoever sets up
    'write serial_number into [masters.{}], or confirm_master = "second-master" for {}',
    ", then move it so that the size is {} and read once more",
    "due {}: the check every {}",  # each with its own words, below
    "{} to the check {} {}",
    "due in {}: the check {} {}",
    "{}: were contacts or preset changed?",
    "{} mm from the last mastering, more than {} mm",
    "to {} a record takes a reason",
    "the {} of {} is abandoned",
    "read it at least once{}",
    "a {} was begun and abandoned",
    "one reading of a frame gives {} {}",  # a half of a sentence
    "It sends over channel {}: write channel = {} at the gauge.",  # of a description's file
}


def _template(node: ast.expr) -> str | None:
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else None
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
    return None


def literals(file: Path) -> Iterator[str]:
    """Yield every text in a file but its docstrings, with {} where something is filled in."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    apart = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    apart |= {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.expr) and id(node) not in apart and (text := _template(node)):
            yield text


def sentences() -> Iterator[tuple[str, str]]:
    """Yield what a person is to read, with who says it: texts of three words and more."""
    for pattern in (*(f"core/bench/{name}" for name in SHOWN), *TEACHES):
        for file in sorted(DAEMON.glob(pattern)):
            for text in literals(file):
                if sum(word.isalpha() for word in text.replace("{}", " ").split()) >= 3:
                    yield file.name, text.strip()


@pytest.mark.parametrize("catalogue", CATALOGUES, ids=lambda path: path.stem)
def test_what_a_person_reads_is_said_in_every_language(catalogue: Path) -> None:
    """Each sentence of those rooms fits a pattern of each catalogue."""
    patterns = [
        "".join(
            (r"\d+" if part.endswith("#}") else ".+?") if HOLE.fullmatch(part) else re.escape(part)
            for part in re.split(r"(\{\d#?\})", said)
        )
        for said in json.loads(catalogue.read_text(encoding="utf-8"))
    ]
    assert len(patterns) > 150
    fits = re.compile("|".join(patterns))
    said = {text for _, text in sentences()}
    assert len(said) > 100
    missing = [
        each for each in sorted(said - APART) if not any(fits.fullmatch(each.replace("{}", x)) for x in "1x")
    ]
    assert missing == []
    assert said >= APART, f"nobody says {APART - said}"


@pytest.mark.parametrize("catalogue", CATALOGUES, ids=lambda path: path.stem)
def test_no_catalogue_keeps_what_is_no_longer_said(catalogue: Path) -> None:
    """The words of each pattern are still in the program, and a translation has the parts of what it translates."""
    files = sorted(file for folder in (DAEMON, ADAPTERS) for file in folder.rglob("*.py"))
    program = "\n".join(text for file in files for text in literals(file))
    lists = {key.partition(".")[0] for key in json.loads((FOLDER / "words" / "en.json").read_text())}
    gone = []
    for said, means in json.loads(catalogue.read_text(encoding="utf-8")).items():
        longest = max((part.strip() for part in INSIDE.split(said)), key=len)
        if longest.removeprefix("due ").rstrip(":s") not in program:
            gone.append(said)
        filled = re.findall(r"\{(\d)(?::([a-z]+))?\}", means)
        assert {number for number, _ in filled} <= set(HOLE.findall(said)), said
        assert {name for _, name in filled if name} <= lists, said
    assert gone == []
