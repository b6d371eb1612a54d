"""The commands ``trace`` and ``repair``; each imports what it needs when it is called."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.cli.exits import errors_told
from quietbench.daemon.cli.options import AsJson, Role, Socket, Why, bench_names, subject_names
from quietbench.daemon.socket.protocol import DEFAULT_SOCKET

commands = typer.Typer()


@commands.command(
    epilog="Example: quietbench trace --store /var/lib/quietbench --bench bench-1 --sheet sheet.html"
)
def trace(
    *,
    store: Annotated[
        Path, typer.Option(metavar="FOLDER", envvar="QUIETBENCH_STORE", help="The watcher's store.")
    ] = Path("/var/lib/quietbench"),
    also: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FOLDER", help="Another watcher's store that shares a stud or a panel; repeatable."
        ),
    ] = None,
    bench: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Only this bench and what it shares.", autocompletion=bench_names),
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="Only what is newer: 2031-03-02T08:00 (UTC), or 30d.")
    ] = None,
    repair: Annotated[
        str | None, typer.Option(metavar="PART", help="Only the repairs of this part, before and after.")
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Also write a work sheet to print (.html, or text).")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say where a ground lets go: the suspects on the tree, since when, and whether a repair helped.

    Reads the store, whether or not the watcher runs. "Too little to tell" is an answer.
    """
    from quietbench.daemon.cli.tracing import analyse, question, show

    with errors_told():
        asked = question([store, *(also or [])], bench=bench, since=since, repair=repair)
        show(analyse(asked), as_json=as_json, sheet=sheet)


@commands.command(
    epilog='Example: quietbench repair bench-1/cord --what "new cord" --role technician --why "opens on a turn"'
)
def repair(
    subject: Annotated[
        str,
        typer.Argument(
            help="The part: bench-1/cord; also a channel or a bench.",
            autocompletion=subject_names,
            show_default=False,
        ),
    ],
    *,
    what: Annotated[
        str,
        typer.Option(help="What was done: cord, band, mat, tip, lead, cleaned, other …", show_default=False),
    ],
    role: Role,
    why: Why,
    socket: Socket = Path(DEFAULT_SOCKET),
) -> None:
    """Put a repair on record, in your own name; from then on it is counted whether it helped."""
    from quietbench.daemon.cli.entering import own_name
    from quietbench.daemon.cli.tracing import repair as repair_it

    with errors_told():
        print(repair_it(str(socket), subject, what, {"person": own_name(), "role": role, "why": why}))
