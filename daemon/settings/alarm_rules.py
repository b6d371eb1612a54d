"""What holds for the alarms of any channel: dangers to people, delays, and values that are entered by hand alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from quietbench.daemon.core.plan import Limit, Priority
from quietbench.daemon.settings.conversions import Trouble
from quietbench.daemon.settings.draft import Draft
from quietbench.daemon.settings.limit_making import held_back_too_long
from quietbench.daemon.settings.limits import DANGEROUS, LONGEST_ON_DELAY_S

__all__ = ["dangers", "delays", "entered_alone", "nothing_read", "patience", "standing_still"]

MOST_BAD_POLLS = 5
LONGEST_SILENCE_S = 30.0
"""How long a path that can't be measured may go on counting as it was before (own choice)."""

_SECOND_NS = 1_000_000_000
_OF_READINGS = (
    "conversion",
    "commissioned_ohm",
    "commissioned_on",
    "change_factor",
    "fault_priority",
    "fault_resound_s",
    "fault_after",
    "silent_after_s",
    "stuck_after_s",
    "heartbeat_s",
    "thin_raw",
)


def nothing_read(draft: Draft) -> Iterator[Trouble]:
    """Check that a channel of which every value is entered has no key that speaks of readings."""
    given = [key for key in _OF_READINGS if key in draft.channel.model_fields_set]
    if draft.by_hand and given:
        wanted = "no such key, or a source that is read"
        yield Trouble((given[0],), "a key of readings where every value is entered by hand", wanted)


def entered_alone(draft: Draft) -> Iterator[Trouble]:
    """Judge every limit of a channel that nothing reads by what is entered."""
    if not draft.by_hand:
        return
    for name, limit in list(draft.limits.items()):
        table = draft.channel.limits.get(name)
        if table is not None and table.entered is False:
            wanted = "true, or no such key: nothing is read on this channel"
            yield Trouble(("limits", name, "entered"), "a limit that nothing could judge", wanted)
        draft.limits[name] = replace(limit, entered=True)


def dangers(draft: Draft) -> Iterator[Trouble]:
    """Check that only what can be a danger to people claims to be one, and that it is told at once."""
    for name, limit in draft.limits.items():
        if limit.danger and draft.quantity.name not in DANGEROUS:
            wanted = f"false, or a limit of {' or '.join(DANGEROUS)}"
            what = f"{draft.quantity.name} tells of no danger to people"
            yield Trouble(("limits", name, "danger"), what, wanted)
        elif limit.danger and limit.priority is not Priority.HIGH:
            yield Trouble(("limits", name, "priority"), "a danger to people that may wait", '"high"')


def delays(draft: Draft) -> Iterator[Trouble]:
    """Check that no alarm of a path, of danger or of shock is held back beyond what is allowed."""
    for name, limit in draft.limits.items():
        if held_back_too_long(limit, shock=draft.is_shock(name)):
            wanted = f"at most {LONGEST_ON_DELAY_S:g} s {_why(draft, name, limit)}"
            got = f"{limit.on_delay_ns / _SECOND_NS:g} s"
            yield Trouble(("limits", name, "on_delay_s"), "an alarm held back for too long", wanted, got=got)


def standing_still(draft: Draft) -> Iterator[Trouble]:
    """Check that only what must move is called stuck, and not before its stored readings can show it."""
    stuck_after_s = draft.channel.stuck_after_s
    if stuck_after_s is None:
        return
    if draft.quantity.contact:
        wanted = "no such key: a contact that stays closed is what is wanted"
        yield Trouble(("stuck_after_s",), "a contact that must move", wanted)
    elif stuck_after_s <= draft.channel.heartbeat_s:
        wanted = f"more than heartbeat_s, {draft.channel.heartbeat_s:g} s"
        yield Trouble(("stuck_after_s",), "stuck sooner than readings are kept", wanted)


def patience(draft: Draft) -> Iterator[Trouble]:
    """Check that a path whose measurement fails can't look held for long."""
    if not draft.quantity.path:
        return
    most = {"fault_after": MOST_BAD_POLLS, "silent_after_s": LONGEST_SILENCE_S}
    for key, bound in most.items():
        given = getattr(draft.channel, key)
        if given is not None and given > bound:
            wanted = f"at most {bound:g} on a way to earth"
            yield Trouble((key,), "a path that would look held without being measured", wanted)


def _why(draft: Draft, name: str, limit: Limit) -> str:
    if limit.danger or draft.is_shock(name):
        return "where people are in danger"
    return "on a way to earth"
