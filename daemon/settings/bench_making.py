"""Benches as the core has them, from their tables."""

from __future__ import annotations

import math
from collections.abc import Iterable

from quietbench.daemon.core.plan import Bench, Posture, Seat, Tool
from quietbench.daemon.settings.bench_rules import is_over_limit
from quietbench.daemon.settings.benches import BenchTable
from quietbench.daemon.settings.context import Context
from quietbench.daemon.settings.judgement import judge
from quietbench.daemon.settings.seats import ReferenceTable, SeatTable
from quietbench.daemon.settings.setup import ReferenceSetup
from quietbench.daemon.settings.trees import EARTH

__all__ = ["bench_of", "may_be_ungrounded", "references_of"]

_SECOND_NS = 1_000_000_000
_HOUR_S = 3600.0


def bench_of(context: Context, name: str, table: BenchTable) -> Bench:
    """Return a bench with full names: of its stretches and of the channels that its keys name."""
    trees = context.trees
    own = [f"{name}/{node}" for node in trees.places[name]]
    stretches = dict.fromkeys(stretch for start in own for stretch in trees.way(start))
    presence = (word for word, channel in table.channels.items() if channel.quantity == "presence")
    return Bench(
        name=name,
        title=table.title or name,
        stretches={stretch: trees.up(stretch) or EARTH for stretch in stretches},
        required=_full(name, table.required or trees.ends(name)),
        presence=_full(name, presence),
        presence_hold_ns=_ns(table.presence_hold_s),
        seats=tuple(_seat(name, word, seat) for word, seat in table.seats.items()),
        tools=tuple(
            Tool(f"{name}/{word}", f"{name}/{tool.end}", f"{name}/{tool.hot}")
            for word, tool in table.tools.items()
        ),
        board=_full(name, table.board),
        silence=_full(name, table.silence_button),
        silence_ns=_ns(table.silence_s),
        ready=_full(name, table.ready_button),
        ready_every_ns=_ns((table.ready_every_h or 0.0) * _HOUR_S),
        live=_full(name, table.live_button),
        strap_off_above_v=table.strap_off_above_v,
    )


def _seat(bench: str, word: str, table: SeatTable) -> Seat:
    return Seat(
        name=f"{bench}/{word}",
        end=f"{bench}/{table.end}",
        presence=_full(bench, table.presence),
        posture=Posture(table.posture),
        footwear="" if table.footwear is None else f"{bench}/{table.footwear}",
        footwear_valid_ns=_ns(table.footwear_valid_h * _HOUR_S),
        visitor=table.visitor,
    )


def may_be_ungrounded(bench: Bench) -> bool:
    """Say whether a bench can tell that no strap is needed: nobody there, no board out, footwear tested."""
    return bool(bench.presence or bench.board or any(seat.footwear for seat in bench.seats))


def references_of(context: Context, name: str, table: BenchTable) -> tuple[ReferenceSetup, ...]:
    """Return a bench's known resistors, each with what its channel must make of it."""
    return tuple(_reference(context, name, reference) for reference in table.references)


def _reference(context: Context, bench: str, table: ReferenceTable) -> ReferenceSetup:
    full = f"{bench}/{table.channel}"
    (channel,) = (place.table for place in context.channels if place.full == full)
    assert channel is not None
    assert context.rules is not None
    over = is_over_limit(table.ohm, judge(channel, context.rules).limits)
    # A tolerance is a half-width within which every value is as likely (JCGM 100, 4.3.7).
    return ReferenceSetup(table.line, full, table.ohm, table.ohm * table.tolerance / math.sqrt(3.0), over)


def _full(bench: str, words: Iterable[str] | None) -> tuple[str, ...]:
    return tuple(f"{bench}/{word}" for word in words or ())


def _ns(seconds: float) -> int:
    return round(seconds * _SECOND_NS)
