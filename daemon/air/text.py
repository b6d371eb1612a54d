"""The analysis of the air for a terminal, 80 columns; standard library only."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from quietbench.daemon.air.words import clock, span

__all__ = ["chart", "lines"]

_WIDTH = 80
_BARS = " ▁▂▃▄▅▆▇█"
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_ROWS, _LEFT = 10, 7
_PAST_H, _AHEAD_H, _COLUMN_H = 72, 48, 2


def lines(told: Mapping[str, Any], *, weekly: bool = False) -> Iterator[str]:
    """Yield the lines of all rooms; ``weekly`` leaves out what is not for the week's summary."""
    yield f"The air of {told['site'] or 'these files'}, times {told['time_zone']}"
    for file in told.get("files", ()):
        yield from _file(file)
    for room in told["rooms"]:
        yield ""
        yield from _room(room, told["time_zone"], weekly=weekly)
    yield ""
    for caution in told["cautions"]:
        yield from _wrapped(caution, "· ")


def _file(file: Mapping[str, Any]) -> Iterator[str]:
    offsets = ", ".join(file["offsets"]) or "none"
    yield f"{file['file']}: {file['lines']} lines, {file['unreadable']} unreadable; offsets from UTC: {offsets}"
    yield from (f"  {example}" for example in file["examples"])


def _room(room: Mapping[str, Any], zone: str, *, weekly: bool) -> Iterator[str]:
    yield room["room"]
    yield from _wrapped(room["sentence"], "  ")
    for sensor in room["sensors"]:
        yield from _sensor(sensor)
    if room["now"] is None:
        return
    yield ""
    yield from (f"  {line}" for line in chart(room, zone))
    yield ""
    if not weekly:
        yield from _now(room["now"])
    yield from _outside(room["outside"], zone)
    yield from _agreement(room["agreement"])
    yield from _charging(room["charging"])
    yield from _humidify(room["humidify"])


def _sensor(sensor: Mapping[str, Any]) -> Iterator[str]:
    text = f"{sensor['name']}: {sensor['readings']} readings, {sensor['gaps']} gaps of {sensor['gap_h']:.1f} h in all"
    tidying = sensor["tidying"]
    said = {
        "unusable": "unusable",
        "impossible": "impossible",
        "out_of_order": "out of order",
        "duplicates": "with a stamp seen before",
        "conflicting": "of these in conflict",
    }
    found = [f"{tidying[key]} {word}" for key, word in said.items() if tidying[key]]
    text += f"; {', '.join(found)}" if found else ""
    text += "; uncertainty assumed, none is stated" if sensor["u_assumed"] else ""
    yield from _wrapped(text, "  ")


def _now(now: Mapping[str, Any]) -> Iterator[str]:
    labels = {
        "relative_humidity": "relative humidity",
        "temperature": "temperature",
        "dew_point_over_water": "dew point (water)",
        "frost_point": "frost point",
        "vapour_pressure": "vapour pressure",
        "absolute_humidity": "absolute humidity",
        "mixing_ratio": "mixing ratio",
    }
    for key, label in labels.items():
        value = now[key]
        if value is not None:
            yield f"  {label:<20}{value['value']:>9.2f} ± {value['u']:.2f} {value['unit']}"
    yield "  (± one standard uncertainty)"


def chart(room: Mapping[str, Any], zone: str) -> list[str]:
    """Return a plot: three days past (•), the forecast's middle (o) and 80 % band (░), limits (-)."""
    past = _columns(room["past"]["relative_humidity_percent"], 1.0)[-_PAST_H // _COLUMN_H :]
    fan = room["forecast"]["relative_humidity_percent"] if room["forecast"] else None
    ahead = {name: _columns(values, 0.5) for name, values in fan.items()} if fan else {}
    limits = [bound for bound in room["band"].values() if bound is not None]
    known = [
        value for value in (*past, *(v for column in ahead.values() for v in column)) if value is not None
    ]
    if not known:
        return []
    near = [limit for limit in limits if min(known) - 10.0 <= limit <= max(known) + 10.0]
    low, high = min([*known, *near]) - 0.5, max([*known, *near]) + 0.5
    step = (high - low) / _ROWS
    fan_columns = (
        list(zip(*(ahead[name] for name in ("low", "middle", "high")), strict=True)) if ahead else []
    )
    rows = []
    for row in range(_ROWS - 1, -1, -1):
        bottom, top = low + row * step, low + (row + 1) * step
        is_limit = any(bottom <= limit < top for limit in near)
        marks = [_mark_past(value, bottom, top) for value in past]
        marks += [_mark_ahead(low_, middle, high_, bottom, top) for low_, middle, high_ in fan_columns]
        line = "".join("-" if is_limit and mark == " " else mark for mark in marks)
        rows.append(f"{(bottom + top) / 2.0:5.0f} |{line}".rstrip())
    until = clock(room["past"]["times"][-1], zone) if room["past"]["times"] else ""
    return [*rows, f"{'%RH':>5} +{'-' * len(past)}^ {until}; one column is {_COLUMN_H} h"]


def _columns(values: Sequence[float | None], step_h: float) -> list[float | None]:
    size = round(_COLUMN_H / step_h)
    first = len(values) % size
    groups = [values[place : place + size] for place in range(first, len(values), size)]
    return [_mean([value for value in group if value is not None]) for group in groups]


def _mean(values: Sequence[float]) -> float | None:
    return sum(values) / len(values) if values else None


def _mark_past(value: float | None, bottom: float, top: float) -> str:
    return "•" if value is not None and bottom <= value < top else " "


def _mark_ahead(
    low: float | None, middle: float | None, high: float | None, bottom: float, top: float
) -> str:
    if low is None or middle is None or high is None:
        return " "
    if bottom <= middle < top:
        return "o"
    return "░" if low < top and high >= bottom else " "


def _outside(outside: Mapping[str, Any] | None, zone: str) -> Iterator[str]:
    if outside is None:
        yield "  no limits are set: nothing is outside"
        return
    yield (
        f"  outside: {outside['dry_h']:.1f} h too dry, {outside['damp_h']:.1f} h too damp of "
        f"{outside['known_h']:.0f} h known; {outside['gap_h']:.1f} h not known"
    )
    spell, worst = outside["longest_spell"], outside["worst_quarter"]
    if spell is not None:
        yield f"  longest spell {spell['hours']:.1f} h, from {spell['from'][:10]} {clock(spell['from'], zone)}"
    if worst is not None:
        hour, minute = int(worst["at_hour"]), round(worst["at_hour"] % 1 * 60)
        yield f"  worst quarter of an hour: {hour:02}:{minute:02}, outside {worst['share']:.0%} of the time"
    yield f"  dryness {outside['dryness_percent_h']:.0f} %RH·h"
    yield f"  by hour     0{_bars(outside['by_hour'])}24   by weekday {_weekdays(outside['by_weekday'])}"
    for day in outside["per_day"][-7:]:
        yield f"    {day['name']}  {day['dry_h']:5.1f} h dry  {day['damp_h']:5.1f} h damp  of {day['known_h']:4.1f} h"


def _bars(shares: Sequence[float]) -> str:
    return "".join(_BARS[min(8, int(share * 8.0 + 0.999))] for share in shares)


def _weekdays(shares: Sequence[float]) -> str:
    return " ".join(f"{day}{_bars([share])}" for day, share in zip(_DAYS, shares, strict=True))


def _agreement(agreement: Mapping[str, Any]) -> Iterator[str]:
    for pair in agreement["pairs"]:
        drift = pair["drift"]
        text = (
            f"{pair['first']} against {pair['second']}: vapour pressure {pair['difference_pa']:+.0f} ± "
            f"{pair['u_pa']:.0f} Pa, E_n {pair['e_n']:+.2f} ({'agree' if pair['agree'] else 'disagree'}); "
            f"as humidity {pair['humidity'] * 100:+.1f} %RH (displays differ by {pair['raw_humidity'] * 100:+.1f}, "
            f"temperatures by {pair['gap_k']:+.1f} K)"
        )
        if drift is not None:
            text += f"; drift {drift['per_month'] * 100:+.2f} ± {drift['u_per_month'] * 100:.2f} %RH a month"
            text += ", found" if drift["found"] else ", none found"
        if pair["lag_s"]:
            late, early = (
                (pair["first"], pair["second"]) if pair["lag_s"] > 0 else (pair["second"], pair["first"])
            )
            text += f"; {late} follows {early} by {abs(pair['lag_s']) / 60:.0f} min"
        yield from _wrapped(text, "  ")


def _charging(charging: Mapping[str, Any]) -> Iterator[str]:
    yield from _wrapped(charging["remark"], "  ")
    for source in charging["sources"]:
        yield from _wrapped(source["source"], "  ")
        columns = [column for column in (source["drier"], source["damper"]) if column is not None]
        if len(columns) == 2 and columns[0] == columns[1]:
            columns = columns[:1]
        if not columns:
            yield "    no printed column here"
            continue
        heads = "".join(f"{span(column):>12}" for column in columns)
        yield f"    {'':<42}{heads}"
        for place, row in enumerate(columns[0]["rows"]):
            volts = "".join(f"{column['rows'][place][1]:>10,.0f} V".replace(",", " ") for column in columns)
            yield f"    {row[0]:<42}{volts}"


def _humidify(needed: Mapping[str, Any]) -> Iterator[str]:
    if needed["missing"]:
        yield from _wrapped(f"To say what humidifying takes, wanted: {', '.join(needed['missing'])}.", "  ")
        return
    yield (
        f"  to hold {needed['target_percent']:g} %RH: {needed['kg_per_h']:.2f} ± {needed['u_kg_per_h']:.2f} kg of "
        f"water an hour, {needed['heat_kw']:.2f} kW ({needed['kwh_per_day']:.0f} kWh a day); "
        f"{needed['kg_once']:.2f} kg once"
    )
    for caution in needed["cautions"]:
        yield from _wrapped(caution, "  · ")


def _wrapped(text: str, lead: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead))
