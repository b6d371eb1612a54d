"""The published targets for alarms, each with its source and how sure it is.

They hold per operator position over 30 days or more (ANSI/ISA-18.2, clause on monitoring): compared with the sum over
all benches that one person answers for, never with a single bench. None of the documents was at hand; compare a
number that is from memory with your own copy before you rely on it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from quietbench.daemon.upkeep.figures import Figures

__all__ = ["LEAST_DAYS", "LEAST_WATCHED", "PRIORITIES", "TARGETS", "Compared", "Target", "compare"]

LEAST_DAYS = 30
LEAST_WATCHED = 0.9
"""No verdict where the watcher ran for less than this part of the time (own choice)."""

_ISA, _EEMUA, _BOTH = "ANSI/ISA-18.2", "EEMUA 191, target grid", "ANSI/ISA-18.2 and EEMUA 191"
_SEEN = "seen on a public copy of the table"
_SURE = "from memory, high confidence"
_UNSURE = "from memory, unverified"


@dataclass(frozen=True, slots=True)
class Target:
    """One published figure: ``measured`` must be at most ``bound``, or below it where ``strict``.

    ``measured`` returns None where the figure can't be judged.
    """

    name: str
    label: str
    bound: float
    strict: bool
    unit: str
    source: str
    trust: str
    measured: Callable[[Figures], float | None]
    remark: str = ""

    @property
    def wanted(self) -> str:
        """Get the target in words: "at most 2", "below 1 %"."""
        if self.bound == 0:
            return "none"
        return f"{'below' if self.strict else 'at most'} {self.bound:g}{self.unit}"


@dataclass(frozen=True, slots=True)
class Compared:
    """A target beside what was measured; ``within`` is None where there is no verdict, and ``why_not`` says why."""

    target: Target
    measured: float | None
    within: bool | None
    why_not: str = ""


def compare(figures: Figures, *, why_not: str = "") -> tuple[Compared, ...]:
    """Compare figures of one person with every target; ``why_not`` (if any) keeps all verdicts back."""
    return tuple(_compared(target, target.measured(figures), why_not) for target in TARGETS)


def _compared(target: Target, measured: float | None, why_not: str) -> Compared:
    if why_not or measured is None:
        return Compared(target, measured, None, why_not or "too few different alarms to judge")
    within = measured < target.bound if target.strict else measured <= target.bound
    return Compared(target, measured, within)


TARGETS: tuple[Target, ...] = (
    Target(
        "average", "average in 10 minutes, acceptable", 1, False, "", _BOTH, _SURE, lambda f: f.average_in_10_min,
        "The EEMUA grid was seen with 1 in 10 minutes and, beside it, 5 an hour or 120 a day.",
    ),
    Target("manageable", "average in 10 minutes, most that can be managed", 2, False, "", _ISA, _SURE,
           lambda f: f.average_in_10_min),
    Target("most_in_10_min", "most in one period of 10 minutes", 10, False, "", _ISA, _SURE,
           lambda f: f.most_in_10_min),
    Target("busy_periods", "periods of 10 minutes with more than 10", 1, True, " %", _ISA, _SURE,
           lambda f: 100 * f.busy_share),
    Target("most_in_hour", "most within an hour", 15, False, "", _EEMUA, _SEEN, lambda f: f.most_in_hour),
    Target("most_in_minute", "most within a minute", 2, False, "", _EEMUA, _SEEN, lambda f: f.most_in_minute),
    Target("flood_share", "time in flood", 1, True, " %", _ISA, _SURE, lambda f: 100 * f.flood_share,
           "A flood begins with 10 in 10 minutes (EEMUA grid; ISA says more than 10) and ends below 5 (ISA-TR18.2.5, "
           "from memory, unverified)."),
    Target("chattering", "alarms that chatter", 0, False, "", "ISA-TR18.2.5 and EEMUA 191", _UNSURE,
           lambda f: len(f.chattering), "3 or more within 60 s; the standard's own definition has no number."),
    Target("fleeting", "fleeting alarms", 0, False, "", _ISA, _SURE, lambda f: sum(one.count for one in f.fleeting),
           "Gone within 10 s without coming again within 60 s: both times are our own choice."),
    Target("stale", "stale on the worst day", 5, True, "", _ISA, _SURE, lambda f: f.most_stale_in_a_day,
           "Standing for more than 24 h."),
    Target("top_share", "share of the 10 most frequent", 5, False, " %", _ISA, _SURE, lambda f: f.judged_top_share,
           "Given as 1 % to 5 %. Not judged where 10 or fewer different alarms occurred: then they are all."),
)  # fmt: skip
"""In the order in which they are shown."""

PRIORITIES = {"low": 0.80, "medium": 0.15, "high": 0.05}
"""About what share of alarms each priority should have (EEMUA 191 target grid, seen on a public copy of the table;
ANSI/ISA-18.2, from memory, high confidence). Shown beside the shares, not judged: "about" has no bound."""
