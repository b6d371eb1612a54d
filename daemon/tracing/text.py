"""The analysis as plain text: the ranked suspects on the tree, the evidence, what to try first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap
from typing import Any

from quietbench.daemon.tracing.drawing import legend, percent, tree

WIDTH = 80
_SHOWN = 5


def lines(trace: Mapping[str, Any]) -> Iterator[str]:
    """Give the lines of the whole text, at most 80 columns wide where names allow."""
    hours = trace["observed_hours"]
    yield f"{trace['site']}, {hours:.1f} observed hours"
    yield f"{trace['since']} to {trace['until']}"
    yield ""
    yield from wrap(trace["verdict"], WIDTH)
    if trace["dropouts"]["bursts"]:
        yield from _part("Suspects", _suspects(trace["suspects"]))
    yield from _part("On the tree", [*tree(trace["stretches"]), legend()])
    yield from _part("What to try first", _sentences(step["sentence"] for step in trace["next"]))
    yield from _part("When", _when(trace["when"]))
    yield from _part("Resistances", _sentences(drift["sentence"] for drift in trace["drift"]))
    yield from _part("Repairs", _repairs(trace["repairs"]))
    yield from _part("Clocks", _sentences(clock["sentence"] for clock in trace["clocks"]))
    yield from _part("What can't be concluded", _sentences(trace["limits"]))


def _part(title: str, body: Sequence[str] | Iterator[str]) -> Iterator[str]:
    inside = list(body)
    if inside:
        yield ""
        yield title
        yield from (f"  {line}" for line in inside)


def _sentences(sentences: Iterator[str] | Sequence[str]) -> Iterator[str]:
    for sentence in sentences:
        yield from wrap(sentence, WIDTH - 2, subsequent_indent="  ")


def _suspects(suspects: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for suspect in suspects[:_SHOWN]:
        if suspect["rank"] > 1 and not suspect["bursts"] and suspect["chance_faulty"] < 0.01:
            continue
        names = " | ".join(part["stretch"] for part in suspect["parts"])
        low, high = suspect["low_per_hour"], suspect["high_per_hour"]
        rate = f"{suspect['rate_per_hour']:.3g} an hour ({low:.2g} to {high:.2g})"
        yield f"{suspect['rank']}. {names}: {percent(suspect['chance_worst'])}, {rate}"
        yield from (f"   {line}" for line in wrap(suspect["evidence"], WIDTH - 5))


def _when(found: Mapping[str, Any] | None) -> Iterator[str]:
    if found is None:
        return
    of = ", ".join(found["of"]) or "all bursts together"
    yield f"Of {of}:"
    yield from _sentences((found["rate_sentence"], found["trend_sentence"], found["change_sentence"]))
    yield from _sentences(c["sentence"] for c in found["circumstances"] if c["tells"])
    if found["circumstances"] and not any(c["tells"] for c in found["circumstances"]):
        asked = ", ".join(c["name"] for c in found["circumstances"])
        yield from _sentences((f"No circumstance makes a difference that chance would not ({asked}).",))


def _repairs(repairs: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for repair in repairs:
        yield f"{repair['at']} {repair['subject']}: {repair['what']} ({repair['why']})"
        yield from _sentences((repair["sentence"],))
