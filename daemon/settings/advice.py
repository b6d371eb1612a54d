"""What a usable file says that its writer may not mean: warnings."""

from __future__ import annotations

from collections.abc import Iterator

from quietbench.daemon.settings.bench_words import STRAPS, bench_words, end_paths
from quietbench.daemon.settings.context import ChannelPlace, Context
from quietbench.daemon.settings.document import table_of
from quietbench.daemon.settings.findings import Finding, Severity
from quietbench.daemon.settings.profiles import Profile
from quietbench.daemon.settings.scan import Path
from quietbench.daemon.settings.secrets import file_trouble
from quietbench.daemon.settings.trees import SITE

__all__ = ["advice"]


def advice(context: Context, profiles: tuple[Profile, ...]) -> Iterator[Finding]:
    """Yield warnings about a file that has no error."""
    yield from _unwatched(context)
    yield from _idle(context)
    yield from _unnamed(context)
    yield from _unseated(context)
    yield from _unseen(context)
    yield from _straps_at_high_voltage(context)
    yield from _silent_benches(context)
    yield from _unverified(context, profiles)
    yield from _in_the_clear(context)
    yield from _secret_files(context)
    yield from _slow(context)


def _warning(context: Context, path: Path, what: str, wanted: str, got: str = "") -> Finding:
    return context.document.finding(path, what, got=got, wanted=wanted, severity=Severity.WARNING)


def watched(context: Context, channel: ChannelPlace) -> frozenset[str]:
    """Return the full names of the stretches that a channel measures."""
    place = channel.place if channel.section == "benches" else SITE
    names = channel.table.measures if channel.table is not None else ()
    return frozenset(filter(None, (context.trees.find(place, name) for name in names)))


def _unwatched(context: Context) -> Iterator[Finding]:
    seen = frozenset[str]().union(*(watched(context, channel) for channel in context.channels))
    for bench, table in context.document.tables("benches"):
        own = [end for _, end, _ in end_paths(bench, table)]
        ends = dict.fromkeys((*(table.get("required") or context.trees.ends(bench)), *own))
        ways = (context.trees.way(f"{bench}/{end}") for end in ends)
        for stretch in dict.fromkeys(step for way in ways for step in way):
            if stretch not in seen:
                what = f"no channel watches {stretch}: this bench can never be held"
                wanted = "a channel that measures it, or a shorter list of required ends"
                yield _warning(
                    context, ("benches", bench, "earth_tree", stretch.partition("/")[2]), what, wanted
                )


def _idle(context: Context) -> Iterator[Finding]:
    sources = {str(channel.raw.get("source", "")).partition(".")[0] for channel in context.channels}
    used = set()
    for name, device in context.document.tables("devices"):
        used.add(device.get("bus"))
        if name not in sources:
            yield _warning(
                context, ("devices", name), "no channel uses this device", "a channel with it as source"
            )
    for name in table_of(context.document.raw, "buses"):
        if name not in used:
            yield _warning(context, ("buses", name), "no device hangs on this bus", "a device with it as bus")


def _unnamed(context: Context) -> Iterator[Finding]:
    """Find channels that do nothing unless a key of their bench names them."""
    named = {
        (bench, word.word)
        for bench, table in context.document.tables("benches")
        for word in bench_words(bench, table)
    }
    for channel in context.channels:
        quantity = channel.raw.get("quantity")
        if quantity in _BY_WORD and (channel.place, channel.name) not in named:
            what = f"nothing uses this channel: {quantity} tells something only where a bench names it"
            yield _warning(context, channel.path, what, f"{_BY_WORD[quantity]} of its bench")


_BY_WORD = {
    "button": "silence_button, ready_button or live_button",
    "board_out": "the key board",
    "tool_hot": "the key hot of a tool",
    "footwear_resistance": "the key footwear of a standing seat",
}


def _unseated(context: Context) -> Iterator[Finding]:
    """Find straps' ends that no seat has although the bench has seats: they count as worksurfaces then."""
    for bench, table in context.document.tables("benches"):
        taken = {end for _, end, _ in end_paths(bench, table)}
        for end in table.get("required") or context.trees.ends(bench):
            if table.get("seats") and end not in taken and _is_strapped(context, f"{bench}/{end}"):
                what = f"no seat has the end {end}: it is asked for whenever a board is out, whoever is there"
                yield _warning(
                    context,
                    ("benches", bench, "seats"),
                    what,
                    "a seat for it, or another list of required ends",
                )


def _unseen(context: Context) -> Iterator[Finding]:
    """Find seats without presence of their own beside others: they count as taken with any of these."""
    for bench, table in context.document.tables("benches"):
        seats = table_of(table, "seats")
        for name, seat in seats.items():
            if len(seats) > 1 and "presence" not in seat:
                what = "this seat counts as taken whenever anybody is at the bench"
                wanted = "presence, channels that tell who is at this seat"
                yield _warning(context, ("benches", bench, "seats", name), what, wanted, "no presence")


def _is_strapped(context: Context, full: str) -> bool:
    straps = (c for c in context.channels if c.raw.get("quantity") in STRAPS)
    return any(full in watched(context, channel) for channel in straps)


def _straps_at_high_voltage(context: Context) -> Iterator[Finding]:
    for bench, table in context.document.tables("benches"):
        above_v = table.get("strap_off_above_v")
        if isinstance(above_v, int | float) and above_v > _STRAP_MOST_V:
            what = (
                "straps stay on at open circuits where the handbook ESD TR20.20-2008 wants none (second-hand)"
            )
            wanted = f"at most {_STRAP_MOST_V}"
            yield _warning(context, ("benches", bench, "strap_off_above_v"), what, wanted, f"{above_v:g}")


_STRAP_MOST_V = 250


def _silent_benches(context: Context) -> Iterator[Finding]:
    for bench, table in context.document.tables("benches"):
        given = table_of(table, "annunciators")
        if "buzzer" not in given and "lamp" not in given:
            what = "nothing tells the operator when a path opens"
            yield _warning(context, ("benches", bench, "annunciators"), what, "a buzzer or a lamp")


def _unverified(context: Context, profiles: tuple[Profile, ...]) -> Iterator[Finding]:
    for profile in profiles:
        if profile.unverified:
            what = f"limit profile {profile.name} is unverified: {profile.remark}"
            yield _warning(
                context, ("site", "limit_profile"), what, "its numbers checked against the standard"
            )


def _in_the_clear(context: Context) -> Iterator[Finding]:
    for name, sink in context.document.tables("sinks"):
        for key in ("password", "token"):
            if key in sink and not _encrypted(sink) and not _local(sink):
                what = f"the {key} goes over the network unencrypted"
                yield _warning(context, ("sinks", name, key), what, "tls, or an https address")


def _encrypted(sink: dict[str, object]) -> bool:
    return "tls" in sink or str(sink.get("url", "")).startswith("https:")


def _local(sink: dict[str, object]) -> bool:
    host = str(sink.get("host", "")) or str(sink.get("url", "")).partition("//")[2]
    return host.startswith(("127.", "localhost", "::1", "[::1]"))


def _secret_files(context: Context) -> Iterator[Finding]:
    for path, reference in secret_files(context):
        if not context.document.place(reference).exists():
            yield _warning(
                context, path, "there is no such file now", "a file of mode 0600 before the start", reference
            )


def secret_files(context: Context) -> Iterator[tuple[Path, str]]:
    """Yield where a secret is to come from a file, and that file's path as the configuration has it."""
    for name, sink in context.document.tables("sinks"):
        for key in ("password", "token"):
            reference = sink.get(key)
            if isinstance(reference, str) and reference.startswith("file:") and "\0" not in reference:
                yield ("sinks", name, key), reference.removeprefix("file:")


def secret_file_findings(context: Context) -> Iterator[Finding]:
    """Yield secrets' files that others may read: an error, since such a file would be refused at start."""
    for path, reference in secret_files(context):
        trouble = file_trouble(context.document.place(reference))
        if trouble is not None:
            got, _, wanted = trouble.removeprefix("got ").partition(", wanted ")
            yield context.document.finding(path, "this file can't hold a secret", got=got, wanted=wanted)


def _slow(context: Context) -> Iterator[Finding]:
    for name, device in context.document.tables("devices"):
        every_s, deadline_s = device.get("every_s", 1.0), device.get("deadline_s")
        if isinstance(deadline_s, int | float) and deadline_s > every_s:
            what = "a poll may take longer than the time between polls"
            yield _warning(
                context,
                ("devices", name, "deadline_s"),
                what,
                f"at most every_s, {every_s:g}",
                f"{deadline_s:g}",
            )
