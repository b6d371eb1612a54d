"""What a usable file says that its writer may not mean: warnings."""

from __future__ import annotations

from collections.abc import Iterator

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
        ends = table.get("required") or context.trees.ends(bench)
        ways = (context.trees.way(f"{bench}/{end}") for end in ends)
        for stretch in dict.fromkeys(step for way in ways for step in way):
            if stretch not in seen:
                what = f"no channel watches {stretch}: this bench can never be held"
                wanted = "a channel that measures it, or a shorter list of required ends"
                yield _warning(
                    context, ("benches", bench, "earth_tree", stretch.partition("/")[2]), what, wanted
                )


def _idle(context: Context) -> Iterator[Finding]:
    sources = {str(channel.raw.get("source")).partition(".")[0] for channel in context.channels}
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
