"""The tree as text, marked by shape and number: what a terminal and a sheet of paper can show without colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

LIKELY, POSSIBLE, UNLIKELY, UNWATCHED = "■", "◆", "·", "○"
"""Marks of a stretch by its chance of being the worst: from 20 %, from 2 %, below, and what no channel watches."""


def mark(stretch: Mapping[str, Any]) -> str:
    """Return a stretch's mark."""
    if not stretch["watched"]:
        return UNWATCHED
    chance = stretch["chance_worst"] or 0.0
    return LIKELY if chance >= 0.2 else POSSIBLE if chance >= 0.02 else UNLIKELY


def percent(chance: float) -> str:
    """Return a chance as people read it; nothing that was inferred is certain or impossible."""
    if chance > 0.99:
        return "over 99 %"
    return f"{chance:.0%}".replace("%", " %") if chance >= 0.01 else "under 1 %"


def tree(stretches: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the lines of the tree, earth at the top."""
    below: dict[str, list[Mapping[str, Any]]] = {}
    for stretch in stretches:
        below.setdefault(stretch["hangs_on"], []).append(stretch)
    return ["earth", *_branches("earth", below, "")]


def _branches(name: str, below: Mapping[str, Sequence[Mapping[str, Any]]], indent: str) -> list[str]:
    lines = []
    children = below.get(name, ())
    for child in children:
        last = child is children[-1]
        lines.append(f"{indent}{'└─' if last else '├─'} {_label(child)}")
        lines += _branches(child["stretch"], below, indent + ("   " if last else "│  "))
    return lines


def _label(stretch: Mapping[str, Any]) -> str:
    chance = stretch["chance_worst"] or 0.0
    said = f"  {percent(chance)} (suspect {stretch['rank']})" if chance >= 0.01 and stretch["watched"] else ""
    return f"{mark(stretch)} {stretch['stretch']}{said}"


def legend() -> str:
    """Return what the marks mean."""
    return f"{LIKELY} likely  {POSSIBLE} possible  {UNLIKELY} unlikely  {UNWATCHED} nothing watches it"
