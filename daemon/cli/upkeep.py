"""The commands ``alarms`` and ``replay``: what alarms did, and what other limits would have made of it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.cli.exits import Exit, errors_told, fail
from quietbench.daemon.cli.options import AsJson, Socket, profile_names
from quietbench.daemon.socket.protocol import DEFAULT_SOCKET

commands = typer.Typer()

_STORE = typer.Option(
    "--store",
    metavar="FOLDER",
    help="The watcher's store.",
    file_okay=False,
    readable=False,  # the store says itself what is wrong with it
    show_default=False,
)
StoreFolder = Annotated[Path, _STORE]
Since = Annotated[
    str | None,
    typer.Option(
        metavar="TIME", help="From when: 2031-05-01, 2031-05-01T08:00 (UTC), 30d.", show_default=False
    ),
]
Until = Annotated[str | None, typer.Option(metavar="TIME", help="Until when.", show_default=False)]


@commands.command(epilog="Example: quietbench alarms --health --store store --answers lead=bench-1,bench-2")
def alarms(
    *,
    socket: Socket = Path(DEFAULT_SOCKET),
    store: Annotated[Path | None, _STORE] = None,
    since: Since = None,
    until: Until = None,
    health: Annotated[bool, typer.Option("--health", help="How the alarms are doing.")] = False,
    answers: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME=BENCH,…", help="Who must answer for which benches.", show_default=False),
    ] = None,
    propose: Annotated[
        bool, typer.Option("--propose/--no-propose", help="Try delays and deadbands by replay.")
    ] = True,
    as_json: AsJson = False,
) -> None:
    """List the alarms that stand; with --since what was; with --health how the alarms themselves are doing.

    Health is of the last 30 days, if not told otherwise: rates, chattering, floods, answers.
    """
    from quietbench.daemon.cli.alarms import list_history, list_open, tell_health

    with errors_told():
        if not health and since is None and until is None:
            list_open(str(socket), store, as_json=as_json)
        elif store is None:
            fail("history and health are read from the store: wanted --store FOLDER", Exit.INPUT)
        elif health:
            tell_health(store, since, until, answers=answers or (), propose=propose, as_json=as_json)
        else:
            list_history(store, since, until, as_json=as_json)


@commands.command(
    epilog="Example: quietbench replay --store store --since 30d --set bench-1/mat.upper=10Mohm"
)
def replay(
    *,
    store: StoreFolder,
    since: Since = None,
    until: Until = None,
    profile: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Another limit profile, or a file's path.", autocompletion=profile_names
        ),
    ] = None,
    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="CHANNEL.LIMIT=VALUE",
            help="Another bound, or .deadband, .on_delay_s, .off_delay_s of a limit; * for any.",
            show_default=False,
        ),
    ] = None,
    verify: Annotated[
        bool, typer.Option("--verify", help="Only: are the stored records reproduced to the byte?")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Run the same core over stored history and say what would have been different under other limits.

    Without a change every stored record must come out again to the byte; else the exit code is 1.
    """
    from quietbench.daemon.cli.replaying import replay_history

    with errors_told():
        code = replay_history(
            store,
            since=since,
            until=until,
            profile=profile,
            settings=settings or (),
            verified=verify,
            as_json=as_json,
        )
    raise typer.Exit(code)
