"""How long a person waits for the bench page: for the page itself, and for a result to be on the screen."""

from __future__ import annotations

import json
import statistics
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator

from playwright.sync_api import Browser, Page

from gaugepost.service.page.files import read_all
from tests.bench_tools.ports import free_port
from tests.benchmarks.figures import Figure, scratch
from tests.page.bench import WAIT_MS, Bench, bench, browser

STARTS, RESULTS = 5, 40
PACE, PACED_S = 60, 10
USABLE_MS, SHOWN_MS, TASK_MS, MOST_BYTES = 2000, 100, 50, 500_000

WATCHED = """
window.drawn = {};
const painted = () => performance.timeOrigin + performance.now();
new MutationObserver(() => {
  const shown = document.querySelector(".measure")?.dataset.shown;
  if (shown && !(shown in window.drawn)) {
    window.drawn[shown] = 0;
    requestAnimationFrame(() => setTimeout(() => { window.drawn[shown] = painted(); }));
  }
}).observe(document, { subtree: true, childList: true, attributes: true, attributeFilter: ["data-shown"] });
"""
"""Notes when a result was first painted."""


def figures() -> Iterator[Figure]:
    """Open the page after each of some starts, then look at single readings and at 60 of them a second."""
    with scratch() as folder, browser() as chromium, bench(folder, port=free_port()) as made:
        made.master()
        made.tags(operator="M2", lot="L-1", piece="1")
        yield _size()
        yield from _starts(made, chromium)
        page = _watched(chromium, made.daemon.address)
        yield from _results(made, page)
        yield from _paced(made, page)


def _size() -> Figure:
    size = sum(len(each.content) for each in read_all().values())
    return Figure(
        "all files of the page",
        size / 1e3,
        "kB",
        MOST_BYTES / 1e3,
        "what it may have",
        "less",
        size < MOST_BYTES,
    )


def _watched(chromium: Browser, address: str) -> Page:
    page = chromium.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.set_default_timeout(WAIT_MS)
    page.add_init_script(WATCHED)
    page.goto(f"{address}/#measure")
    page.wait_for_selector(".measure[data-sequence]")
    return page


def _starts(made: Bench, chromium: Browser) -> Iterator[Figure]:
    """From the moment that the service listens to the moment that the page shows what is next."""
    page_ms, bare_ms = [], []
    for _ in range(STARTS):
        made.daemon.stop()
        made.daemon.start()
        begun = time.perf_counter()
        context = chromium.new_context()
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.goto(f"{made.daemon.address}/#measure")
        page.wait_for_selector(".measure[data-sequence]")
        page_ms.append((time.perf_counter() - begun) * 1e3)
        context.close()
        begun = time.perf_counter()
        context = chromium.new_context()
        context.new_page().goto(f"{made.daemon.address}/page/common/icon.svg")
        bare_ms.append((time.perf_counter() - begun) * 1e3)
        context.close()
    usable = statistics.median(page_ms)
    yield Figure(
        "page usable after the service listens", usable, "ms", statistics.median(bare_ms),
        "one small file in the same browser", f"less than {USABLE_MS} ms", usable < USABLE_MS,
    )  # fmt: skip
    made.connected()


def _results(made: Bench, page: Page) -> Iterator[Figure]:
    """From the record's coming over the stream, right after its commit, to the frame that paints it."""
    sent: dict[int, float] = {}
    with _Heard(made.daemon.address) as heard:
        for at in range(RESULTS):
            before = time.time() * 1e3
            made.show(f"38.0{100 + at % 100:03}")
            sequence = made.daemon.get("/measuring")["last"]["sequence"]
            sent[sequence] = before
            page.wait_for_selector(f'.measure[data-shown="{sequence}"]')
            time.sleep(0.1)
        drawn: dict[str, float] = page.evaluate("window.drawn")
        came = heard.at
    after = sorted(drawn[str(each)] - came[each] for each in sent if str(each) in drawn and each in came)
    whole = sorted(drawn[str(each)] - sent[each] for each in sent if str(each) in drawn)
    stream = statistics.median(came[each] - sent[each] for each in sent if each in came)
    median, most = statistics.median(after), after[int(0.95 * len(after))]
    against = "from the gauge's bytes to a bare client of the stream"
    yield Figure(
        "result painted after it is on the stream",
        median,
        "ms",
        stream,
        against,
        f"less than {SHOWN_MS} ms",
        median < SHOWN_MS,
    )
    yield Figure("19 of 20 within", most, "ms", stream, against)
    yield Figure(
        "from the gauge's bytes to the painted result", statistics.median(whole), "ms", stream, against
    )


def _paced(made: Bench, page: Page) -> Iterator[Figure]:
    """With 60 readings a second: the page's longest tasks, by the processor's time, since others use it too."""
    made.tags(lot="L-2", piece="1")
    idle = _tasks_during(page, lambda: time.sleep(PACED_S))
    busy = _tasks_during(page, lambda: _send(made))
    made.daemon.wait_for(PACE * PACED_S, kind="reading", lot="L-2")
    last = made.daemon.get("/measuring")["last"]["sequence"]
    page.wait_for_selector(f'.measure[data-shown="{last}"]')
    worst, long = max(busy, default=0.0), sum(each > TASK_MS for each in busy)
    against = f"without readings; {long} of {len(busy)} over {TASK_MS} ms"
    goal = f"none over {TASK_MS} ms"
    yield Figure(
        f"longest task at {PACE} readings/s", worst, "ms", max(idle, default=0.0), against, goal, not long
    )
    for_one = [sum(each) / (PACE * PACED_S) for each in (busy, idle)]
    yield Figure("processor time of the page for a reading", for_one[0], "ms", for_one[1], "without readings")


def _tasks_during(page: Page, work: Callable[[], None]) -> list[float]:
    """Return what each task of the page's main thread took of a processor, in ms."""
    chromium = page.context.browser
    assert chromium is not None
    chromium.start_tracing(page=page, categories=["toplevel", "__metadata"])
    work()
    events = json.loads(chromium.stop_tracing())["traceEvents"]
    main = {
        (each["pid"], each["tid"])
        for each in events
        if each["name"] == "thread_name" and each["args"]["name"] == "CrRendererMain"
    }
    return [
        each["tdur"] / 1e3
        for each in events
        if each["name"] == "ThreadControllerImpl::RunTask"
        and (each["pid"], each["tid"]) in main
        and "tdur" in each
    ]


def _send(made: Bench) -> None:
    begun = time.perf_counter()
    for at in range(PACE * PACED_S):
        made.bore.send(f"38.0{at % 250:03} mm\r\n".encode())
        time.sleep(max(0.0, begun + (at + 1) / PACE - time.perf_counter()))


class _Heard:
    """A client of the stream that does nothing but note when each record came, in ms since 1970."""

    def __init__(self, address: str) -> None:
        self.at: dict[int, float] = {}
        with urllib.request.urlopen(f"{address}/v1/health", timeout=30) as answer:  # noqa: S310
            head = int(json.load(answer)["head"])
        self._answer = urllib.request.urlopen(f"{address}/v1/stream?after={head}", timeout=60)  # noqa: S310
        self._thread = threading.Thread(target=self._listen, daemon=True)

    def _listen(self) -> None:
        try:
            for line in self._answer:
                if line.startswith(b"id: "):
                    self.at[int(line.rpartition(b"-")[2])] = time.time() * 1e3
        except (OSError, ValueError, AttributeError):
            return  # it was closed

    def __enter__(self) -> _Heard:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._answer.close()
