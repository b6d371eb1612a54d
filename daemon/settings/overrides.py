"""A channel's own limits on top of those of the profile and of its kind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from quietbench.daemon.core.plan import Limit, Priority, Requirement
from quietbench.daemon.settings.conversions import Trouble, unit_trouble
from quietbench.daemon.settings.draft import Draft
from quietbench.daemon.settings.findings import nearest_of
from quietbench.daemon.settings.limit_making import CHANGE, CLOSED, UPPER, own_source, resound_ns, with_table
from quietbench.daemon.settings.limits import LimitTable

__all__ = ["override"]


def override(draft: Draft) -> Iterator[Trouble]:
    """Apply the channel's own limits."""
    for name, table in draft.channel.limits.items():
        trouble = _apply(draft, name, table)
        if trouble is not None:
            yield trouble._replace(path=("limits", name, *trouble.path))


def _apply(draft: Draft, name: str, table: LimitTable) -> Trouble | None:
    wrong = None if table.unit is None else unit_trouble(("unit",), table.unit, draft.quantity)
    if wrong is not None:
        return wrong
    if name not in draft.limits and name not in draft.profile:
        return _add(draft, name, table)
    if table.use is False:
        return _leave_out(draft, name, table)
    return _apply_change(draft, name, table)


def _add(draft: Draft, name: str, table: LimitTable) -> Trouble | None:
    known = (*draft.profile, *draft.limits)
    if table.requirement is None or table.bound is None:
        names = ", ".join(dict.fromkeys(known)) or "none here"
        wanted = f"a limit of the profile ({names}), or requirement, bound and source of a new one"
        return Trouble((), "no such limit", wanted, got=f'"{name}"', nearest=nearest_of(name, known))
    if table.source is None:
        return Trouble(
            ("source",),
            "a limit without its source",
            "the document or the site's rule that sets it",
            got="nothing",
        )
    priority = Priority.HIGH if table.danger else Priority.MEDIUM
    blank = Limit(name, Requirement(table.requirement), 0.0, own_source(table), priority)
    again_ns = resound_ns(protects=bool(table.protects), danger=bool(table.danger))
    draft.limits[name] = with_table(replace(blank, resound_ns=again_ns), table, draft.quantity)
    return None


def _leave_out(draft: Draft, name: str, table: LimitTable) -> Trouble | None:
    if draft.is_shock(name) or name in (CLOSED, CHANGE):
        why = (
            "it protects persons from shock"
            if draft.is_shock(name)
            else "without it nothing shows an opening"
        )
        return Trouble(("use",), "this limit can't be left out", f"true: {why}")
    if table.source is None:
        return Trouble(
            ("source",), "a limit left out without a source", "the site's rule that says so", got="nothing"
        )
    draft.limits.pop(name, None)
    return None


def _apply_change(draft: Draft, name: str, table: LimitTable) -> Trouble | None:
    before = draft.limits.get(name)
    if before is None:
        return Trouble(("use",), "an optional limit of the profile", "true, to have it", got="nothing")
    after = with_table(before, table, draft.quantity)
    if (after.bound, after.requirement) != (before.bound, before.requirement):
        if table.source is None:
            wanted = "the document or the site's rule that sets this number: it is not the profile's"
            return Trouble(("source",), "a limit without its source", wanted, got="nothing")
        if draft.is_shock(name) and _weaker(before, after):
            side = "most" if before.requirement in UPPER else "least"
            wanted = f"at {side} {before.bound:g} {draft.quantity.unit}"
            return Trouble(("bound",), "a shock limit made weaker", wanted)
        if table.deadband is None and before.bound:
            # The profile's deadband belongs to its own bound; beside a smaller one it might never let go.
            share = min(abs(after.bound / before.bound), 1.0)
            after = replace(after, deadband=before.deadband * share)
    if after.entered and (draft.is_shock(name) or name in (CLOSED, CHANGE)):
        return Trouble(("entered",), "this limit can't wait for a check by hand", "false, or no such key")
    if before.danger and not after.danger and (draft.is_shock(name) or table.source is None):
        wanted = "true" if draft.is_shock(name) else "true, or the source of the site's rule that says so"
        return Trouble(("danger",), "a danger to people taken for less", wanted)
    if table.source is not None:
        after = replace(after, source=own_source(table))
    draft.limits[name] = after
    return None


def _weaker(before: Limit, after: Limit) -> bool:
    """Say whether a changed bound lets more through than the one before."""
    upper = before.requirement in UPPER
    if (after.requirement in UPPER) is not upper:
        return True
    return after.bound > before.bound if upper else after.bound < before.bound
