"""The limits of one channel: those of the profile, those of its kind, and the site's own on top.

The rule for a resistance read by a divider: where a limit lies above what the circuit resolves, readings can't be
judged by it. Then the limit is judged by values entered by hand (a periodic check with a meter at 100 V), and
the channel watches for change against the value found at commissioning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from quietbench.daemon.core.convert import Conversion, Divider
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Limit
from quietbench.daemon.settings.alarm_rules import (
    dangers,
    delays,
    entered_alone,
    nothing_read,
    patience,
    standing_still,
)
from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.conversions import Trouble, conversion_of
from quietbench.daemon.settings.draft import Draft
from quietbench.daemon.settings.limit_making import (
    CHANGE,
    CLOSED,
    UPPER,
    change_limit,
    clears_at,
    closed,
    from_profile,
)
from quietbench.daemon.settings.overrides import override
from quietbench.daemon.settings.rules import Rules
from quietbench.daemon.settings.units import span_of

__all__ = ["Judged", "judge"]

_MISSING = "missing key"


@dataclass(frozen=True, slots=True)
class Judged:
    """A channel's conversion and limits; where there are troubles they are not to be used."""

    conversion: Conversion | None
    limits: tuple[Limit, ...]
    troubles: tuple[Trouble, ...]


def judge(channel: ChannelTable, rules: Rules) -> Judged:
    """Put the limits of a channel together and say what is wrong with them.

    A fault of one step ends it: what follows would only echo it.
    """
    conversion = conversion_of(channel)
    if isinstance(conversion, Trouble):
        return Judged(None, (), (conversion,))
    draft = Draft(channel, conversion, rules)
    for step in _STEPS:
        troubles = tuple(step(draft))
        if troubles:
            return Judged(conversion, (), troubles)
    return Judged(conversion, tuple(draft.limits.values()), ())


# -- steps, in order; each changes the draft and yields what is wrong ---------------------------------------


def _belongs(draft: Draft) -> Iterator[Trouble]:
    """Check the keys that only some quantities have."""
    channel, name = draft.channel, draft.quantity.name
    strap = name == "strap_resistance"
    if strap and channel.conductors is None:
        yield Trouble(("conductors",), _MISSING, "1 or 2: the shock limit depends on it", got="nothing")
    if not strap and channel.conductors is not None:
        yield Trouble(("conductors",), f"{name} has no conductors", "no such key, or strap_resistance")
    if draft.on_the_tree and not channel.measures:
        wanted = "the stretches that its measuring current crosses"
        yield Trouble(("measures",), "a path without its stretches", wanted)
    if not draft.on_the_tree and channel.measures:
        yield Trouble(("measures",), f"{name} measures no stretch of the way to earth", "no such key")


def _commissioned(draft: Draft) -> Iterator[Trouble]:
    """Check that the value at commissioning is whole, and that the quantity has one."""
    channel = draft.channel
    given = [key for key in _COMMISSIONING if key in channel.model_fields_set]
    if given and draft.quantity.unit != "ohm":
        yield Trouble((given[0],), f"{draft.quantity.name} is no resistance", "no such key")
        return
    for key in ("commissioned_ohm", "commissioned_on"):
        if given and getattr(channel, key) is None:
            yield Trouble(
                (key,), _MISSING, f"{_COMMISSIONING[key]}, since {given[0]} is given", got="nothing"
            )
            return


_COMMISSIONING = {
    "commissioned_ohm": "the resistance found at commissioning",
    "commissioned_on": "the date of commissioning",
    "change_factor": "",
}


def _gather(draft: Draft) -> Iterator[Trouble]:
    """Take the limits of the profile and those that belong to the kind of channel."""
    for limit in draft.profile.values():
        if draft.wanted_by_channel(limit):
            draft.limits[limit.name] = from_profile(limit)
    if draft.quantity.contact and draft.quantity.path:
        draft.limits[CLOSED] = closed()
    change = change_limit(draft.channel, path=draft.quantity.path)
    if change is not None:
        draft.limits[CHANGE] = change
    return iter(())


def _ranges(draft: Draft) -> Iterator[Trouble]:
    """Check bounds and deadbands against what the quantity can be at all."""
    low, high = span_of(draft.quantity)
    for name in draft.channel.limits:
        limit = draft.limits.get(name)
        if limit is None:
            continue
        if not low <= limit.bound <= high:
            wanted = f"a bound from {low:g} to {high:g} {draft.quantity.unit}, or another unit"
            yield Trouble(("limits", name, "bound"), f"{draft.quantity.name} can't be so", wanted)
        elif not low <= clears_at(limit) <= high:
            wanted = (
                f"less than {abs(limit.bound - (low if limit.requirement in UPPER else high)):g}, in its unit"
            )
            yield Trouble(("limits", name, "deadband"), "a limit that can never clear", wanted)


def _protection(draft: Draft) -> Iterator[Trouble]:
    """Check that a path's channel can show an opening, and that only such channels claim to."""
    protecting = [limit for limit in draft.limits.values() if limit.protects]
    if draft.quantity.path and not protecting:
        wanted = f"a profile with a limit for {draft.quantity.name}, or an own limit with protects = true"
        yield Trouble(("quantity",), "no limit that protects: this path could never show as open", wanted)
    if not draft.quantity.path and protecting:
        name = protecting[0].name
        yield Trouble(("limits", name, "protects"), f"{draft.quantity.name} watches no path", "false")


def _resolution(draft: Draft) -> Iterator[Trouble]:
    """Apply the rule for limits that lie beyond what a divider resolves."""
    if not isinstance(draft.conversion, Divider):
        return
    lowest, highest = draft.conversion.resolves()
    for name, limit in list(draft.limits.items()):
        if limit.entered:
            continue
        if limit.requirement not in UPPER and limit.bound < lowest:
            yield _unresolved(
                limit, f"a circuit that resolves {limit.bound:g} ohm; this one tells nothing below {lowest:g}"
            )
        if limit.requirement in UPPER and limit.bound > highest:
            if name == CHANGE:
                yield _unresolved_change(limit, highest)
            draft.unresolved.append((limit, highest))
            draft.limits[name] = replace(limit, entered=True)


def _unresolved(limit: Limit, wanted: str) -> Trouble:
    return Trouble(
        ("conversion",), f"the circuit can't show the limit {limit.name}", wanted, got=f"{limit.bound:g} ohm"
    )


def _unresolved_change(limit: Limit, highest: float) -> Trouble:
    wanted = (
        f"at most {highest:.3g} ohm, which this circuit resolves: a smaller change_factor, or less leakage"
    )
    what = "the circuit can't show this change"
    return Trouble(("change_factor",), what, wanted, got=f"a change limit of {limit.bound:g} ohm")


def _watch_for_change(draft: Draft) -> Iterator[Trouble]:
    """Demand a value at commissioning where readings can't be judged by a limit that protects."""
    protecting = [limit for limit in draft.limits.values() if limit.protects]
    live = any(not limit.entered for limit in protecting)
    if not draft.on_the_tree or not protecting or (live and (CHANGE in draft.limits or not draft.unresolved)):
        return
    wanted = "commissioned_ohm and commissioned_on, against which the channel watches for change"
    yield Trouble(("commissioned_ohm",), _by_hand(draft, protecting[0]), wanted, got="nothing")


def _by_hand(draft: Draft, first: Limit) -> str:
    if not draft.unresolved:
        return f"the limit {first.name} is checked by hand, and nothing that is read shows an opening"
    limit, highest = draft.unresolved[0]
    return (
        f"the limit {limit.name} ({limit.bound:g} ohm) lies above the {highest:.3g} ohm that this circuit resolves, "
        "so it is checked by hand"
    )


def _at_commissioning(draft: Draft) -> Iterator[Trouble]:
    """Check that the value at commissioning was well."""
    value = draft.channel.commissioned_ohm
    if value is None:
        return
    for limit in draft.limits.values():
        if limit.protects and zone(limit, value) is Zone.VIOLATING:
            wanted = f"{limit.requirement.value} {limit.bound:g} ohm, by the limit {limit.name}"
            yield Trouble(("commissioned_ohm",), "already open at commissioning", wanted)
            return


def _contradictions(draft: Draft) -> Iterator[Trouble]:
    """Find two limits that no value satisfies, or that leave no room to clear."""
    uppers = [limit for limit in draft.limits.values() if limit.requirement in UPPER]
    lowers = [limit for limit in draft.limits.values() if limit.requirement not in UPPER]
    for upper in uppers:
        for lower in lowers:
            if _excluded(upper, lower):
                yield _contradiction(draft, upper, lower)
                return


def _excluded(upper: Limit, lower: Limit) -> bool:
    return max(clears_at(lower), lower.bound) >= min(clears_at(upper), upper.bound)


def _contradiction(draft: Draft, upper: Limit, lower: Limit) -> Trouble:
    own, other = (lower, upper) if lower.name in draft.channel.limits else (upper, lower)
    path: tuple[str, ...] = ("limits", own.name) if own.name in draft.channel.limits else ("quantity",)
    what = f"limits that contradict: {own.name} {_said(own)}, {other.name} {_said(other)}"
    return Trouble(path, what, "limits, deadbands included, that some value satisfies", got="")


def _said(limit: Limit) -> str:
    return f"{limit.requirement.value} {limit.bound:g} (deadband {limit.deadband:g})"


_STEPS: tuple[Callable[[Draft], Iterator[Trouble]], ...] = (
    nothing_read,
    _belongs,
    _commissioned,
    _gather,
    override,
    entered_alone,
    _ranges,
    _protection,
    dangers,
    delays,
    patience,
    standing_still,
    _at_commissioning,
    _resolution,
    _watch_for_change,
    _contradictions,
)
