"""What the figures mean, in sentences a technician understands. No p value without one."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from quietbench.daemon.tracing.circumstances import Judged
from quietbench.daemon.tracing.clocked import total_hours
from quietbench.daemon.tracing.counting import Dispersion, Rate
from quietbench.daemon.tracing.drawing import percent
from quietbench.daemon.tracing.drift import Drift
from quietbench.daemon.tracing.locate import Located
from quietbench.daemon.tracing.offsets import Offset
from quietbench.daemon.tracing.site import SiteRecord
from quietbench.daemon.tracing.suspects import NAMED, Suspect, unwatched
from quietbench.daemon.tracing.trend import ChangePoint, Laplace, PowerLaw
from quietbench.daemon.tracing.wiring import Floats, Wiring

FEW = 5
"""Bursts below which no trend and no circumstance is judged."""


def listed(names: Sequence[str], last: str = "and") -> str:
    """Return names in a row: "a, b and c"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def counted(number: int, one: str, many: str = "") -> str:
    """Return "1 burst", "2 bursts"."""
    return f"{number} {one}" if number == 1 else f"{number} {many or one + 's'}"


def each(rate: float) -> str:
    """Return a rate (an hour) in the unit in which it is a handy number."""
    for hours, name in ((1.0, "an hour"), (24.0, "a day"), (168.0, "a week")):
        if rate * hours >= 0.5:
            return f"{rate * hours:.2g} {name}"
    return f"{rate * 8766:.2g} a year"


def verdict(found: Sequence[Suspect], wiring: Wiring, bursts: int, hours: float, nothing: float) -> str:
    """Say the main thing in one or two sentences."""
    if hours <= 0:
        return "Too little to tell: no channel observed anything in this time."
    if not bursts:
        return f"No dropout in {hours:.1f} observed hours. Nothing to trace."
    top = found[0] if found else None
    if top is None or top.worst <= NAMED:
        return (
            f"Too little to tell: {counted(bursts, 'burst')} in {hours:.1f} observed hours fit several places."
            f" That nothing lasting is wrong has a chance of {percent(nothing)}."
        )
    names = [wiring.stretches[part.stretch] for part in top.parts]
    if len(names) == 1:
        return f"Most likely it lets go at {names[0]} (chance {percent(top.worst)}), {each(top.rate)}."
    return (
        f"Most likely it lets go between {listed(names)} (chance {percent(top.worst)}), {each(top.rate)};"
        " no channel tells these stretches apart."
    )


def evidence(suspect: Suspect, wiring: Wiring) -> str:
    """Say which channels went together, and what they share: "7 of 9 bursts took a and b together; they share c"."""
    total = sum(number for _, number in suspect.patterns)
    if not total:
        return "No burst points here."
    channels, number = suspect.patterns[0]
    names = listed([wiring.channels[c] for c in channels])
    places = listed([wiring.stretches[part.stretch] for part in suspect.parts], "or")
    if len(channels) == 1:
        return (
            f"{number} of {counted(total, 'burst')} showed on {names} alone, which crosses {places}."
            " One channel can't tell an opening from a dropout of its own."
        )
    shares = "they share" if len(suspect.parts) == 1 else "all they share and nobody else crosses is"
    return f"{number} of {counted(total, 'burst')} took {names} together; {shares} {places}."


def rate_words(rate: Rate, spread: Dispersion) -> str:
    """Say a rate with its interval, and whether bursts come evenly."""
    if not rate.bursts:
        return f"No burst in {rate.hours:.1f} observed hours: at most {rate.high:.2g} an hour (95 % sure)."
    base = (
        f"{counted(rate.bursts, 'burst')} in {rate.hours:.1f} observed hours: {each(rate.each_hour)}, with 90 %"
        f" between {each(rate.low)} and {each(rate.high)}."
    )
    if spread.windows < 5:
        return f"{base} Too few to tell whether they come evenly."
    if spread.p < 0.05:
        return (
            f"{base} They come in clusters ({spread.index:.1f} times the scatter of pure chance, which gives so"
            f" much in {percent(spread.p)} of the cases), so the interval is widened."
        )
    return f"{base} They come as evenly as chance would have it."


def trend_words(bursts: int, trend: Laplace | None, power: PowerLaw | None) -> str:
    """Say whether it gets worse."""
    if bursts < FEW or trend is None or power is None:
        return f"Too little to tell whether it gets worse: {counted(bursts, 'burst')}, wanted at least {FEW}."
    if trend.p >= 0.05:
        return (
            f"No trend to be seen: an even rate gives a drift like this in {percent(trend.p)} of the cases"
            f" (growth exponent {power.growth:+.2f}, 90 % between {1 - power.high:+.2f} and {1 - power.low:+.2f})."
        )
    way = "more and more often" if trend.u > 0 else "less and less often"
    return (
        f"It lets go {way}: an even rate gives a drift like this in {percent(trend.p)} of the cases"
        f" (growth exponent {power.growth:+.2f}, 90 % between {1 - power.high:+.2f} and {1 - power.low:+.2f})."
    )


def change_words(change: ChangePoint | None, when: str, earliest: str, latest: str) -> str:
    """Say since when."""
    if change is None:
        return "Too little to tell since when."
    if change.chance < NAMED:
        return (
            f"No clear moment at which it began (a change of rate has a chance of {percent(change.chance)})."
        )
    return (
        f"The rate changed around {when} (90 % between {earliest} and {latest}; chance {percent(change.chance)}):"
        f" {each(change.before_each_hour)} before, {each(change.after_each_hour)} after."
    )


def circumstance_words(judged: Judged) -> str:
    """Say whether a circumstance matters."""
    split, ratio = judged.split, judged.ratio
    with_it = f"{split.within} in {split.within_hours:.1f} h with"
    facts = f"{with_it}, {split.without} in {split.without_hours:.1f} h without"
    if not judged.tells:
        return f"{split.name}: no difference to be told from chance ({facts})."
    more = "more" if ratio.ratio > 1 else "less"
    size = ratio.ratio if ratio.ratio > 1 else 1 / ratio.ratio if ratio.ratio else float("inf")
    times = (
        "only then"
        if size == float("inf") and more == "more"
        else "never then"
        if size == float("inf")
        else ""
    )
    return (
        f"{split.name}: {times or f'{size:.1f} times {more} often'} ({facts}); by chance alone, asked so many"
        f" questions, in {percent(judged.corrected_p)} of the cases."
    )


def clock_words(offset: Offset, a: str, b: str) -> str:
    """Say what is known about two clocks."""
    pairs = counted(offset.pairs, "pair")
    scores = f"score {offset.score:.1f} from {pairs}, best of 40 false offsets {offset.by_chance:.1f}"
    if offset.found:
        return f"{b} is {offset.offset_s * 1000:+.0f} ms (±{offset.u_s * 1000:.0f}) ahead of {a} ({scores})."
    return (
        f"The clocks of {a} and {b} can't be compared: no shared opening stands out from chance ({scores})."
    )


def step_words(kind: str, names: Sequence[str], bits: float) -> str:
    """Say what to do next, and what it would tell."""
    if kind == "measure":
        told = f"the next dropout tells whether it is among them ({bits:.2f} of 1 bit)"
        return f"Clip one more measurement across {listed(names)}: {told}."
    return f"Swap {listed(names)} and watch: if it was that, the dropouts end ({bits:.2f} of 1 bit)."


def drift_words(name: str, found: Drift, crossing: Sequence[str | None] | None) -> str:
    """Say what a resistance does, and when it would meet its limit."""
    step = f"{name} jumped by a factor of {10**found.step:.2g}. " if found.step_at is not None else ""
    a_day = 10 ** (24 * found.slope.slope)
    if found.test.p_one_sided >= 0.05:
        return (
            f"{step}{name}: no drift to be told from scatter ({found.values} values; steady values look like this in"
            f" {percent(found.test.p_one_sided)} of the cases)."
        )
    steady = f"steady values do so in {percent(found.test.p_one_sided)} of the cases"
    way = f"{step}{name} changes by a factor of {a_day:.3g} a day; {steady}."
    if not crossing or crossing[1] is None:
        return f"{way} It does not head for its limit."
    first, last = ((at or "")[:10] or "never" for at in (crossing[0], crossing[2]))
    return f"{way} It would meet its limit on {crossing[1][:10]}, 90 % between {first} and {last}."


def limits(site: SiteRecord, located: Located, found: Sequence[Suspect], observed: Floats) -> Iterator[str]:
    """Say what can't be concluded, and why."""
    wiring, bursts = site.wiring, len(located.bursts.start_s)
    if 0 < bursts < FEW:
        yield f"Only {counted(bursts, 'burst')}: too few for a place, a trend or a circumstance."
    if total_hours(observed) < 8:
        yield f"Only {total_hours(observed):.1f} observed hours: less than a shift."
    hidden = [name for name, no in zip(wiring.stretches, unwatched(located), strict=True) if no]
    if hidden:
        yield f"Nothing watches {listed(hidden)}: what lets go there shows nowhere."
    for suspect in found[:3]:
        if suspect.worst > 0.05 and len(suspect.parts) > 1:
            names = listed([wiring.stretches[part.stretch] for part in suspect.parts])
            yield f"No channel tells {names} apart; among them only the kind of part weighs."
    for c, name in enumerate(wiring.channels):
        if located.dead[c]:
            yield f"{name} showed nothing although it should have: it may be dead. Check it before the path."
        elif not len(site.seeing.observed[c]):
            yield f"{name} observed nothing in this time: its sensor was not good, or nobody was there."
    cut = sum(int(f.cut.sum()) for f in site.found)
    if cut:
        ended = counted(cut, "dropout")
        yield f"{ended} ended in a sensor fault or a gap in the record: a loose sensor explains those too."
    if site.clocks is not None and not bool(site.clocks.known.all()):
        yield "The clocks of some watchers are not known against each other; coincidences count for less."
    left_out = sum(watcher.left_out for watcher in site.history.watchers)
    if left_out:
        yield f"{counted(left_out, 'older run')} with another wiring left out."
