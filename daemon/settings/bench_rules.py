"""What the keys of one bench ask of each other."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from pydantic import BaseModel

from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Limit
from quietbench.daemon.settings.advice import watched
from quietbench.daemon.settings.bench_words import BUTTONS, STRAPS, bench_words
from quietbench.daemon.settings.benches import BenchTable
from quietbench.daemon.settings.context import Context
from quietbench.daemon.settings.document import table_of
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.judgement import Judged, judge
from quietbench.daemon.settings.rules import Rules
from quietbench.daemon.settings.scan import Path
from quietbench.daemon.settings.seats import SeatTable

__all__ = ["bench_findings", "is_over_limit", "judged_findings"]


def bench_findings(context: Context) -> Iterator[Finding]:
    """Yield keys of a bench that need, or rule out, another."""
    for bench, table in context.document.tables("benches"):
        path: Path = ("benches", bench)
        yield from _live(context, path, table)
        yield from _buttons(context, path, table)
        yield from _visitors(context, path, table)
        for name, seat in context.document.tables("benches", bench, "seats"):
            yield from _footwear(context, (*path, "seats", name), seat)
            yield from _visitor(context, (*path, "seats", name), seat)


def _live(context: Context, path: Path, table: dict[str, Any]) -> Iterator[Finding]:
    if "live_button" in table and not _given(table, "strap_off_above_v", BenchTable):
        what = "live work without the site's rule for it"
        wanted = "strap_off_above_v, the voltage above which this site takes straps off, or no such button"
        yield context.document.finding((*path, "live_button"), what, wanted=wanted)


def _buttons(context: Context, path: Path, table: dict[str, Any]) -> Iterator[Finding]:
    """Find a button with two meanings: the core would hear only one of them."""
    meant: dict[str, str] = {}
    for place, word, _ in bench_words(str(path[1]), table):
        key = str(place[2])
        if key not in BUTTONS:
            continue
        if meant.setdefault(word, key) != key:
            what = f"a button that is {meant[word]} already"
            yield context.document.finding(place, what, wanted="a button of its own")


def _visitors(context: Context, path: Path, table: dict[str, Any]) -> Iterator[Finding]:
    seats = [seat for seat in table_of(table, "seats").values() if isinstance(seat, dict)]
    only_visitors = bool(seats) and all(seat.get("visitor") is True for seat in seats)
    if only_visitors and "ready_every_h" in table:
        what = "a check before work where every seat is a visitor's, which it leaves out"
        wanted = "a seat without visitor = true, or no such key"
        yield context.document.finding((*path, "ready_every_h"), what, wanted=wanted)


def _footwear(context: Context, path: Path, seat: dict[str, Any]) -> Iterator[Finding]:
    seated = seat.get("posture") == "seated" or not _given(seat, "posture", SeatTable)
    if "footwear" in seat and seated:
        what = "footwear never stands in for the strap of a seated person"
        yield context.document.finding(
            (*path, "footwear"), what, wanted='posture = "standing", or no such key'
        )
    if "footwear_valid_h" in seat and not _given(seat, "footwear", SeatTable):
        wanted = "footwear, the channel that holds the test, or no such key"
        yield context.document.finding((*path, "footwear_valid_h"), "a time for no test", wanted=wanted)


def _visitor(context: Context, path: Path, seat: dict[str, Any]) -> Iterator[Finding]:
    if seat.get("visitor") is True and not _given(seat, "presence", SeatTable):
        what = "a visitor's strap would be asked for whenever anybody is at the bench"
        wanted = "presence, channels that tell who is at this seat"
        yield context.document.finding((*path, "visitor"), what, wanted=wanted)


def _given(table: dict[str, Any], key: str, model: type[BaseModel]) -> bool:
    """Say whether a key is there, or looks misspelt, which is told already."""
    unknown = (given for given in table if given not in model.model_fields)
    return key in table or any(nearest_of(given, (key,)) for given in unknown)


# -- what can be told only of channels that are well --------------------------------------------------------


def judged_findings(context: Context, rules: Rules) -> Iterator[Finding]:
    """Yield what seats and references ask of their channels, in a file without other errors."""
    judged = {c.full: judge(c.table, rules) for c in context.channels if c.table is not None}
    for bench, table in context.document.tables("benches"):
        yield from _straps(context, bench)
        yield from _tests(context, bench, judged)
        for number, reference in enumerate(table.get("references", ())):
            path: Path = ("benches", bench, "references", number)
            word = f"{bench}/{reference['channel']}"
            yield from _reference(context, path, float(reference["ohm"]), judged[word])


def _straps(context: Context, bench: str) -> Iterator[Finding]:
    straps = (c for c in context.channels if c.table is not None and c.table.quantity in STRAPS)
    measured = frozenset[str]().union(*(watched(context, strap) for strap in straps))
    for name, seat in context.document.tables("benches", bench, "seats"):
        if f"{bench}/{seat['end']}" not in measured:
            path: Path = ("benches", bench, "seats", name, "end")
            wanted = "an end that a channel of strap_contact or strap_resistance measures"
            yield context.document.finding(path, "no strap channel measures this end", wanted=wanted)


def _tests(context: Context, bench: str, judged: dict[str, Judged]) -> Iterator[Finding]:
    for name, seat in context.document.tables("benches", bench, "seats"):
        test = seat.get("footwear")
        if test is not None and not any(limit.entered for limit in judged[f"{bench}/{test}"].limits):
            path: Path = ("benches", bench, "seats", name, "footwear")
            what = "no limit of this channel judges what is entered"
            yield context.document.finding(path, what, wanted="a limit with entered = true on it")


def _reference(context: Context, path: Path, ohm: float, judged: Judged) -> Iterator[Finding]:
    assert judged.conversion is not None
    lowest, highest = judged.conversion.resolves()
    if not lowest <= ohm <= highest and not is_over_limit(ohm, judged.limits):
        wanted = f"from {lowest:.3g} to {highest:.3g} ohm, or beyond a limit that readings are judged by"
        yield context.document.finding((*path, "ohm"), "the circuit can't tell this resistor", wanted=wanted)


def is_over_limit(ohm: float, limits: Iterable[Limit]) -> bool:
    """Say whether a resistor must show as a violation of a limit that readings are judged by."""
    return any(zone(limit, ohm) is Zone.VIOLATING for limit in limits if not limit.entered)
