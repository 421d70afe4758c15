"""What monitoring reads, taken apart by a parser that shares no code with us (prometheus_client's, OpenMetrics 1.0)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import httpx
import pytest
from prometheus_client import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.service.at_work import STATION, at_work

Samples = dict[tuple[str, frozenset[tuple[str, str]]], float]


def parsed(text: str) -> Iterable[Metric]:
    """Take an exposition apart; a fault in the format raises."""
    families: Iterable[Metric] = text_string_to_metric_families(text)  # type: ignore[no-untyped-call]
    return families


def scraped(text: str) -> Samples:
    """Return every sample of an exposition."""
    return {
        (sample.name, frozenset(sample.labels.items())): sample.value
        for family in parsed(text)
        for sample in family.samples
    }


def value(samples: Samples, name: str, **labels: str) -> float:
    """Return one sample's value."""
    return samples[name, frozenset(labels.items())]


def test_a_station_at_work(tmp_path: Path) -> None:
    """Frames, bad frames, readings, commits, links, deliveries: each is counted as often as it happened."""
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        for number in range(5):
            port.send(f"38.{number:04} mm\r\n".encode())
        port.send(b"rubbish\r\n")
        daemon.wait_for(5, kind="reading")
        daemon.wait_for(1, kind="bad-frame")
        answer = httpx.get(f"{daemon.address}/v1/metrics", trust_env=False)
        assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        samples = scraped(answer.text)
        head = daemon.get("/health")["head"]
    assert value(samples, "gaugepost_readings_total", gauge="g0", verdict="not-judged") == 5
    assert value(samples, "gaugepost_records_total", kind="reading") == 5
    assert value(samples, "gaugepost_frames_total", link="usb-0") == 5
    assert value(samples, "gaugepost_bad_frames_total", link="usb-0") == 1
    assert value(samples, "gaugepost_link_connected", link="usb-0") == 1
    assert value(samples, "gaugepost_link_connects_total", link="usb-0") == 1
    assert value(samples, "gaugepost_recording") == 1
    assert 0 < value(samples, "gaugepost_journal_sequence") <= head
    commits = value(samples, "gaugepost_commit_seconds_count")
    assert commits >= 1
    assert value(samples, "gaugepost_commit_seconds_bucket", le="+Inf") == commits
    assert value(samples, "gaugepost_commit_seconds_sum") > 0
    assert value(samples, "gaugepost_disk_free_bytes") > 0
    states = [
        value(samples, "gaugepost_delivery", destination="sheet", gaugepost_delivery=state)
        for state in ("idle", "delivering", "unreachable", "broken", "disabled")
    ]
    assert sum(states) == 1


@pytest.mark.asyncio
async def test_masterings_and_lost_links(tmp_path: Path) -> None:
    """A gauge that is mastered counts as judged and its check has an age; one that was lost is judged no more."""
    async with at_work(tmp_path) as station:
        station.connect()
        await station.master()
        samples = scraped((await station.http.get("/v1/metrics")).text)
        assert value(samples, "gaugepost_gauge_judged", gauge="bore-38") == 1
        assert value(samples, "gaugepost_gauge_judged", gauge="dial-24") == 0
        assert 0 <= value(samples, "gaugepost_check_age_seconds", gauge="bore-38") < 60
        assert ("gaugepost_check_age_seconds", frozenset({("gauge", "dial-24")})) not in samples
        assert 0 <= value(samples, "gaugepost_mastering_age_seconds", gauge="bore-38") < 60
        assert ("gaugepost_mastering_age_seconds", frozenset({("gauge", "dial-24")})) not in samples
        assert value(samples, "gaugepost_suspects") == 0
        station.lose("bore-serial")
        await station.shows("1.0", "dial-serial")
        samples = scraped((await station.http.get("/v1/metrics")).text)
        assert value(samples, "gaugepost_gauge_judged", gauge="bore-38") == 0


@pytest.mark.asyncio
async def test_names_are_data(tmp_path: Path) -> None:
    """Quotes, backslashes and letters of any script in a name are that name, not a label of their own."""
    name = 'north "bench" \\ Ost-Fräse 1'
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    async with at_work(tmp_path, STATION.replace('"north-bench"', f'"{escaped}"')) as station:
        samples = scraped((await station.http.get("/v1/metrics")).text)
        ((found, labels),) = [key for key in samples if key[0] == "gaugepost_build_info"]
        assert dict(labels)["station"] == name
        assert found


ALERTS = Path(__file__).parents[2] / "deploy" / "monitoring" / "alerts.yaml"


@pytest.mark.asyncio
async def test_alerts_name_metrics_that_there_are(tmp_path: Path) -> None:
    """Every metric that the example alerts ask for is one that the service tells."""
    async with at_work(tmp_path) as station:
        text = (await station.http.get("/v1/metrics")).text
    told = {family.name for family in parsed(text)}
    asked = set(re.findall(r"gaugepost_[a-z_]+", ALERTS.read_text("utf-8")))
    assert len(asked) > 5
    for name in asked:
        assert re.sub(r"_(total|bucket)$", "", name) in told, name
