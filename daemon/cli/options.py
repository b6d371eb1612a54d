"""The arguments that several commands share, and what completion offers for them.

Names are asked of a running watcher; whatever is wrong with that, completion just offers none.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.socket.protocol import DEFAULT_SOCKET


def alarm_names(incomplete: str) -> list[str]:
    """Return the alarms that are not normal and begin like this."""
    return [alarm for alarm in _known("alarms") if alarm.startswith(incomplete)]


def bench_names(incomplete: str) -> list[str]:
    """Return the benches that begin like this."""
    return [bench for bench in _known("benches") if bench.startswith(incomplete)]


def channel_names(incomplete: str) -> list[str]:
    """Return the channels that begin like this."""
    return [channel for channel in _known("readings") if channel.startswith(incomplete)]


def subject_names(incomplete: str) -> list[str]:
    """Return benches, channels and stretches that begin like this."""
    names = [*_known("benches"), *_known("readings"), *_known("stretches")]
    return [name for name in dict.fromkeys(names) if name.startswith(incomplete)]


def profile_names(incomplete: str) -> list[str]:
    """Return the built-in limit profiles that begin like this."""
    from quietbench.daemon.settings.profiles import built_in_names

    return [name for name in built_in_names() if name.startswith(incomplete)]


def _known(what: str) -> list[str]:
    from quietbench.daemon.cli.entering import snapshot
    from quietbench.daemon.errors import SocketError

    try:
        now = snapshot(os.environ.get("QUIETBENCH_SOCKET", DEFAULT_SOCKET), timeout_s=0.5)
    except SocketError:
        return []
    names = {
        "alarms": [alarm.alarm for alarm in now.alarms],
        "benches": [bench.bench for bench in now.benches],
        "readings": [reading.channel for reading in now.readings],
        "stretches": [stretch.name for bench in now.benches for path in bench.paths for stretch in path],
    }
    return names[what]


File = Annotated[
    Path,
    typer.Argument(
        metavar="FILE",
        help="The watcher's configuration, a TOML file.",
        show_default=False,
        readable=False,  # what can't be read is told in our own words
    ),
]
# Not checked for being readable: the client says which group opens it.
Socket = Annotated[
    Path,
    typer.Option(
        "--socket",
        metavar="PATH",
        envvar="QUIETBENCH_SOCKET",
        help="The watcher's socket.",
        dir_okay=False,
        readable=False,
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON, for programs.")]
Role = Annotated[
    str, typer.Option(envvar="QUIETBENCH_ROLE", help="In which role: technician, lead, …", show_default=False)
]
Why = Annotated[str, typer.Option(help="Why, in a few words; it stands in the record.", show_default=False)]
Alarm = Annotated[
    str,
    typer.Argument(
        metavar="ALARM", help="The alarm, as watch shows it.", autocompletion=alarm_names, show_default=False
    ),
]
Bench = Annotated[
    str, typer.Argument(metavar="BENCH", help="The bench.", autocompletion=bench_names, show_default=False)
]
For = Annotated[
    str, typer.Option("--for", metavar="TIME", help="How long: 90s, 20m, 2h.", show_default=False)
]
