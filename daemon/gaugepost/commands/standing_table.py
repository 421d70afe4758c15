"""How a station stands, in lines for people: what counts, what does not and why, what to do next."""

from __future__ import annotations

from gaugepost.commands.talk import Document


def table(station: Document) -> list[str]:
    """Return the lines for what `gaugepost bench show --json` prints."""
    about, health = station["station"], station["health"]
    recording = "recording" if health["recording"] else f"NOT RECORDING: {health['problem']}"
    lines = [f"{about['station']}: {recording}, last record {about['head']}"]
    if (health.get("disk") or {}).get("warning"):
        lines.append(f"DISK: {health['disk']['warning']}")
    lines.append("in hand: " + ", ".join(f"{tag} {value or '-'}" for tag, value in about["tags"].items()))
    if doubted := sum(each["open"] for each in station.get("suspects", ())):
        lines.append(f"SUSPECT: {doubted} open, see gaugepost bench suspects")
    rows: list[tuple[str, ...]] = [("gauge", "link", "state", "mastered on", "judged")]
    rows += [_row(gauge) for gauge in station["gauges"]]
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    lines.append("")
    for row, gauge in zip(rows, [None, *station["gauges"]], strict=True):
        lines.append("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
        lines += [f"    {line}" for line in _below(gauge)] if gauge else []
    troubled = [link for link in station["links"] if link["state"] != "connected"]
    named = [one for one in station["destinations"] if one["state"] != "removed"]
    lines += [""] if troubled or named else []
    lines += [f"link {link['link']} {link['state']}: {link['problem'] or 'no news yet'}" for link in troubled]
    for one in named:
        error = (
            f": {one['last_error']}"
            if one["last_error"] and one["state"] not in ("idle", "delivering")
            else ""
        )
        behind = f", {one['lag']} behind" if one["lag"] else ""
        refused = f", {one['refused']} refused" if one["refused"] else ""
        lines.append(f"destination {one['destination']} {one['state']}{behind}{refused}{error}")
    return lines


def _row(gauge: Document) -> tuple[str, ...]:
    mastering = gauge["mastering"]
    masters = " + ".join(mastering["masters"]) if mastering else "-"
    state = gauge["link_state"] or "-"
    return gauge["gauge"], gauge["link"], state, masters, "yes" if gauge["judged"] else "NO"


def _below(gauge: Document) -> list[str]:
    lines = [str(reason) for reason in (*gauge["reasons"], *gauge["due_soon"])]
    if gauge["procedure"]:
        lines.append(f"{gauge['procedure']['procedure']} going on: {gauge['procedure']['text']}")
    elif not gauge["judged"] and gauge["link_state"] == "connected":
        does = "master" if "not mastered" in gauge["reasons"] else "check"
        lines.append(f"-> gaugepost bench {does} {gauge['gauge']} MASTER --serial NUMBER --wait")
    if gauge["contact_set"]:
        lines.append(f"contact set {gauge['contact_set']} is on it")
    measures, last = gauge["characteristic"], gauge["last_reading"]
    lines.append(f"measures {measures}" if measures else "no characteristic is selected")
    if last:
        value = f"{last['value']} {last['unit']}" if "value" in last else last["indication"]
        decided = f", {last['decision']}" if "decision" in last else ""
        lines[-1] += f"; last {value}, {last.get('verdict', 'to be combined')}{decided}"
    return lines
