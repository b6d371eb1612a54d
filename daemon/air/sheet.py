"""The weekly summary as one HTML file that stands by itself: no script, no font, no address; all rooms on it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape
from typing import Any

from quietbench.daemon.air.words import clock, span

__all__ = ["sheet"]

_STYLE = """
body{font:14px/1.4 sans-serif;color:#111;background:#fff;max-width:60em;margin:1em auto;padding:0 1em}
h1{font-size:1.4em}h2{font-size:1.15em;border-top:1px solid #999;padding-top:.6em;margin-top:1.2em}
.sentence{font-size:1.15em}table{border-collapse:collapse;margin:.4em 0}
th,td{padding:.1em .7em .1em 0;text-align:right}
th:first-child,td:first-child{text-align:left}small,.remark{color:#444}svg{width:100%;height:auto}
section{break-inside:avoid}@media print{body{margin:0;max-width:none;font-size:11px}}
"""
_W, _H, _LEFT, _BOTTOM = 720.0, 170.0, 34.0, 18.0


def sheet(told: Mapping[str, Any]) -> str:
    """Return the document."""
    site = escape(told["site"] or "files")
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width,initial-scale=1">',
        f"<title>The air of {site}</title><style>{_STYLE}</style></head><body>",
        f"<h1>The air of {site}</h1><p>Times: {escape(told['time_zone'])}</p>",
        *(part for room in told["rooms"] for part in _room(room, told["time_zone"])),
        "<section><h2>To be kept in mind</h2><ul>",
        *(f"<li>{escape(caution)}</li>" for caution in told["cautions"]),
        "</ul></section></body></html>",
    ]
    return "\n".join(parts) + "\n"


def _room(room: Mapping[str, Any], zone: str) -> Iterator[str]:
    yield f'<section><h2>{escape(room["room"])}</h2><p class="sentence">{escape(room["sentence"])}</p>'
    if room["now"] is not None:
        yield _plot(room, zone)
        yield from _outside(room["outside"])
        yield from _agreement(room["agreement"])
        yield from _charging(room["charging"])
    yield from (f"<p><small>{escape(text)}</small></p>" for text in _limits(room["limits"]))
    yield "</section>"


def _limits(limits: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for limit in limits:
        source = ", ".join(part for part in (limit["document"], limit["edition"], limit["clause"]) if part)
        yield f"{limit['name']}: {limit['requirement']} {limit['bound'] * 100:g} %RH; {source}; {limit['trust']}"


def _plot(room: Mapping[str, Any], zone: str) -> str:
    past = room["past"]["relative_humidity_percent"]
    forecast = room["forecast"]
    fan = forecast["relative_humidity_percent"] if forecast else {"low": [], "middle": [], "high": []}
    bounds = [bound for bound in room["band"].values() if bound is not None]
    values = [value for value in (*past, *fan["low"], *fan["high"], *bounds) if value is not None]
    low, high = min(values) - 2.0, max(values) + 2.0
    hours = len(past) + len(fan["middle"]) / 2.0

    def x(hour: float) -> float:
        return _LEFT + hour / max(hours, 1.0) * (_W - _LEFT)

    def y(value: float) -> float:
        return float((_H - _BOTTOM) * (1.0 - (value - low) / (high - low)))

    start = len(past) - 0.5
    ahead = [start + (step + 1) / 2.0 for step in range(len(fan["middle"]))]
    upper = [f"{x(at):.1f},{y(v):.1f}" for at, v in zip(ahead, fan["high"], strict=True)]
    lower = [f"{x(at):.1f},{y(v):.1f}" for at, v in zip(ahead, fan["low"], strict=True)]
    middle = " ".join(f"{x(at):.1f},{y(v):.1f}" for at, v in zip(ahead, fan["middle"], strict=True))
    parts = [
        f'<svg viewBox="0 0 {_W:g} {_H:g}" role="img" aria-label="humidity, a week past and two days ahead">'
    ]
    if upper:
        parts.append(f'<polygon points="{" ".join(upper + lower[::-1])}" fill="#cdd9ea"/>')
        parts.append(f'<polyline points="{middle}" fill="none" stroke="#335" stroke-dasharray="4 3"/>')
    for bound in bounds:
        parts.append(f'<line x1="{_LEFT}" x2="{_W}" y1="{y(bound):.1f}" y2="{y(bound):.1f}" stroke="#a33"/>')
        parts.append(f'<text x="0" y="{y(bound) + 4:.1f}" font-size="11">{bound:g} %</text>')
    for piece in _pieces(past):
        points = " ".join(f"{x(at):.1f},{y(value):.1f}" for at, value in piece)
        parts.append(f'<polyline points="{points}" fill="none" stroke="#111" stroke-width="1.4"/>')
    if room["past"]["times"]:
        now = clock(room["past"]["times"][-1], zone)
        parts.append(
            f'<text x="{x(start):.1f}" y="{_H - 4:.1f}" font-size="11" text-anchor="end">{escape(now)}</text>'
        )
    parts.append("</svg>")
    return "".join(parts)


def _pieces(values: Sequence[float | None]) -> Iterator[list[tuple[float, float]]]:
    piece: list[tuple[float, float]] = []
    for place, value in enumerate(values):
        if value is None:
            if piece:
                yield piece
            piece = []
        else:
            piece.append((float(place), value))
    if piece:
        yield piece


def _outside(outside: Mapping[str, Any] | None) -> Iterator[str]:
    if outside is None:
        yield "<p>No limits are set.</p>"
        return
    yield "<table><tr><th>outside the limits</th><th>too dry, h</th><th>too damp, h</th><th>known, h</th></tr>"
    for row in (*outside["per_day"][-7:], *outside["per_week"][-4:], *outside["per_month"][-3:]):
        yield (
            f"<tr><td>{escape(row['name'])}</td><td>{row['dry_h']:.1f}</td><td>{row['damp_h']:.1f}</td>"
            f"<td>{row['known_h']:.1f}</td></tr>"
        )
    yield "</table>"
    cells = "".join(
        f'<rect x="{hour * 20}" y="{40 - share * 40:.1f}" width="18" height="{share * 40:.1f}" fill="#678"/>'
        for hour, share in enumerate(outside["by_hour"])
    )
    label = 'role="img" aria-label="outside by hour of day"'
    yield f'<svg viewBox="0 0 480 42" style="max-width:30em" {label}>{cells}</svg>'


def _agreement(agreement: Mapping[str, Any]) -> Iterator[str]:
    for pair in agreement["pairs"]:
        drift = pair["drift"]
        trend = "" if drift is None else f", drift {drift['per_month'] * 100:+.2f} %RH a month"
        yield (
            f"<p>{escape(pair['first'])} and {escape(pair['second'])} "
            f"{'agree' if pair['agree'] else 'disagree'}: vapour pressure {pair['difference_pa']:+.0f} ± "
            f"{pair['u_pa']:.0f} Pa, E<sub>n</sub> {pair['e_n']:+.2f}{trend}</p>"
        )


def _charging(charging: Mapping[str, Any]) -> Iterator[str]:
    yield f'<p class="remark">{escape(charging["remark"])}</p>'
    for source in charging["sources"]:
        columns = [column for column in (source["drier"], source["damper"]) if column is not None]
        if len(columns) == 2 and columns[0] == columns[1]:
            columns = columns[:1]
        heads = "".join(f"<th>{span(column)}</th>" for column in columns)
        yield f"<table><tr><th>{escape(source['source'])}</th>{heads}</tr>"
        for place, row in enumerate(columns[0]["rows"] if columns else ()):
            cells = "".join(f"<td>{column['rows'][place][1]:g} V</td>" for column in columns)
            yield f"<tr><td>{escape(row[0])} <small>({escape(row[2])})</small></td>{cells}</tr>"
        yield "</table>"
