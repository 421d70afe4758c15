"""What the tool that attacks the interface is told of the station: names that there are, and what one would say.

Left alone it makes up every name and word, and learns only how the service says that it knows none of them. So every
second request that is right as the description has it names what there is, and says what somebody at the bench would.
Loaded by the tool itself.
"""

from __future__ import annotations

import itertools
import json
import re
from collections import defaultdict
from pathlib import Path
from typing import Any

import schemathesis

FILE = "known.json"
"""Names by the part of the address before them, and who signs; in the folder that the tool runs in."""

_TURNS: defaultdict[str, itertools.count[int]] = defaultdict(itertools.count)

_WHO = {"operator": "M2"}
_WHY: dict[str, object] = {"reason": "a chip on the ring", **_WHO}
MEANT: dict[str, tuple[dict[str, object], ...]] = {
    "POST /v1/gauges/{name}/mastering": ({"masters": ["ring-1"], "serials": ["R-1"], **_WHO},),
    "POST /v1/gauges/{name}/reports": ({"what": "knock", "note": "it fell", **_WHO},),
    "DELETE /v1/gauges/{name}/procedure": (_WHY,),
    "POST /v1/gauges/{name}/suspect": (_WHY,),
    "POST /v1/records/{id}/void": (_WHY,),
    "POST /v1/records/{id}/amendment": ({"piece": "2", **_WHY},),
    "POST /v1/lessons": ({"link": "usb-1", "keep_s": 10},),
    "POST /v1/people": ({"id": "M8", "role": "operator", "pin": "604418"},),
    "PATCH /v1/people/{id}": ({"role": "setter", "name": "Jona Example"}, {"pin": "550917"}),
}
"""What is said instead, by what is asked; each of them is to be done at least once."""


@schemathesis.hook
def before_call(_context: Any, case: Any, _more: dict[str, Any]) -> None:
    """Change a request before it is sent."""
    if case.headers and "Cookie" in case.headers:
        # An empty cookie and an empty token, made up for the same request, would stand before the real one.
        case.cookies = {}
        case.headers.pop("Authorization", None)
    label = case.operation.label
    if case.meta is None or not case.meta.generation.mode.is_positive or next(_TURNS[label]) % 2 == 0:
        return
    known = json.loads(Path(FILE).read_text(encoding="utf-8"))
    for part, name in re.findall(r"/(\w+)/\{(\w+)\}", case.path):
        if part in known and case.path_parameters and name in case.path_parameters:
            case.path_parameters[name] = _next(part, known[part])
    meant = MEANT.get(label, ())
    if label == "POST /v1/signatures":
        record = {"record": known["records"][0]}
        span = {"first": known["records"][0], "last": known["records"][-1]}
        what = record, span, {"lot": "L-1"}, {"lot": "L-1", "piece": "1"}
        meant = tuple({**each, "meaning": "review", **known["person"]} for each in what)
    if meant:
        case.body = dict(_next(f"{label} says", meant))


def _next(what: str, choices: Any) -> Any:
    return choices[next(_TURNS[what]) % len(choices)]
