"""The sheet for the person with the screwdriver: where to look, in which order, and what not to do. HTML or text.

The HTML is one file without script, font or picture from elsewhere; it prints in black and white.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from html import escape
from textwrap import wrap
from typing import Any

from quietbench.daemon.tracing.drawing import legend, percent, tree

CAUTIONS = (
    "Boards go into their bags and the bench is taken out of use before any part of its way to earth is opened.",
    "The resistor in a strap cord limits the current through a person. Never bridge it; no cord without it.",
    "Straps come off before work on anything live above the voltage that the site's rules allow.",
    "Mains sockets, their earth and all behind the panel is a licensed electrician's work under the local code.",
    "Measuring the earth conductor's impedance can trip a protective device: warn the room first.",
    "Two earths that differ by a voltage are not bonded together by whoever finds it; report it.",
    "This sheet is an aid. It says where to look first, not that a part is good.",
)

_TRY: Mapping[str, str] = {
    "cord": "Flex it along its length and at both ends while someone watches the live view; swap it for a good one.",
    "snap": "Press and turn it; look for a worn spring or a dull face; clean or replace it.",
    "lead": "Pull gently at both ends; look under the insulation at the crimp; swap it.",
    "stud": "Check that it is tight; clean the face; look for a cracked rivet.",
    "bus": "Check every screw on it for tightness, with the bench out of use.",
    "panel joint": "Leave it to a licensed electrician; ask for the joint to be checked and tightened.",
    "part": "Look at both ends for looseness, dirt and wear.",
}


def html(trace: Mapping[str, Any]) -> str:
    """Return the sheet as one self-contained page."""
    body = "".join(_sections(trace))
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>Work sheet</title><style>'
        "body{font:11pt/1.4 sans-serif;max-width:18cm;margin:1cm auto}"
        "h1{font-size:16pt}h2{font-size:12pt;margin:1em 0 .3em}"
        "pre{font:10pt/1.3 monospace;white-space:pre-wrap}"
        "td,th{border:1px solid #000;padding:.2em .5em;text-align:left;"
        "vertical-align:top}table{border-collapse:collapse;width:100%}.box{border:2px solid #000;padding:.3em .8em}"
        "@media print{body{margin:0}}</style>"
        f"<body>{body}</body></html>\n"
    )


def _sections(trace: Mapping[str, Any]) -> Iterator[str]:
    yield f"<h1>Work sheet: tracing an intermittent ground, {escape(str(trace['site']))}</h1>"
    yield f"<p>Record from {escape(str(trace['since']))} to {escape(str(trace['until']))}, "
    yield f"{trace['observed_hours']:.1f} observed hours.</p><p><strong>{escape(trace['verdict'])}</strong></p>"
    yield f'<div class="box"><h2>Cautions</h2>{_list(CAUTIONS)}</div>'
    yield "<h2>Look here first</h2><table><tr><th>No.<th>Part<th>Chance<th>What to do<th>Found, done, by whom</tr>"
    yield from (
        f"<tr><td>{rank}<td>{escape(name)}<td>{percent(chance)}<td>{escape(todo)}<td></tr>"
        for rank, name, chance, todo in _places(trace)
    )
    yield f"</table><h2>The tree</h2><pre>{escape(chr(10).join(tree(trace['stretches'])))}\n\n{legend()}</pre>"
    yield f"<h2>Why</h2>{_list([s['evidence'] for s in trace['suspects'][:3] if s['bursts']])}"
    yield f"<h2>If that does not find it</h2>{_list([step['sentence'] for step in trace['next']])}"
    yield f"<h2>What can't be concluded</h2>{_list(trace['limits'])}"
    yield "<h2>Afterwards</h2><p>Put what was done on record: "
    yield "<code>quietbench repair PART --what … --role … --why …</code>."
    yield " The record counts from there whether it helped.</p>"


def _list(entries: Any) -> str:
    return "<ul>" + "".join(f"<li>{escape(entry)}</li>" for entry in entries) + "</ul>"


def _places(trace: Mapping[str, Any], most: int = 6) -> list[tuple[int, str, float, str]]:
    """Return the parts to look at: rank of the suspect, stretch, chance, what to do."""
    parts = [
        (suspect["rank"], part["stretch"], part["chance_worst"], _todo(part))
        for suspect in trace["suspects"]
        for part in suspect["parts"]
        if part["chance_worst"] >= 0.01
    ]
    return sorted(parts, key=lambda part: -part[2])[:most]


def _points(sentences: Iterable[str]) -> Iterator[str]:
    for sentence in sentences:
        yield from wrap(sentence, 78, initial_indent="- ", subsequent_indent="  ")


def _todo(part: Mapping[str, Any]) -> str:
    if part["stretch"].endswith("/skin"):
        return "See that the band lies snug on bare skin and does not slip when the wrist turns."
    return _TRY.get(part["kind"], _TRY["part"])


def text(trace: Mapping[str, Any]) -> str:
    """Return the sheet as text of 80 columns."""
    out = [f"WORK SHEET: tracing an intermittent ground, {trace['site']}", ""]
    out += [*wrap(trace["verdict"], 80), "", "CAUTIONS"]
    for caution in CAUTIONS:
        out += wrap(caution, 78, initial_indent="! ", subsequent_indent="  ")
    out += ["", "LOOK HERE FIRST"]
    for rank, name, chance, todo in _places(trace):
        out += [f"[ ] {rank}. {name} ({percent(chance)})", *(f"      {line}" for line in wrap(todo, 72))]
    out += ["", "THE TREE", *tree(trace["stretches"]), legend()]
    if trace["next"]:
        out += ["", "IF THAT DOES NOT FIND IT", *_points(step["sentence"] for step in trace["next"])]
    if trace["limits"]:
        out += ["", "WHAT CAN'T BE CONCLUDED", *_points(trace["limits"])]
    return "\n".join(out) + "\n"
