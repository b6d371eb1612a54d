"""``quietbench ready``: the check before work, walked through at a terminal or with the answers given beforehand."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.cli.exits import Exit, errors_told, fail
from quietbench.daemon.cli.options import Bench, Role, Socket
from quietbench.daemon.socket.protocol import DEFAULT_SOCKET

commands = typer.Typer()

YES = ("yes", "no")


@commands.command(
    rich_help_panel="At a bench, each with who and why",
    epilog="Example: quietbench ready bench-1 --role operator",
)
def ready(
    bench: Bench,
    *,
    role: Role,
    why: Annotated[str, typer.Option(help="Why; it stands in the record.")] = "start of shift",
    heard: Annotated[
        str | None,
        typer.Option(metavar="yes|no", help="The answer for the buzzer, for a script.", show_default=False),
    ] = None,
    seen: Annotated[
        str | None,
        typer.Option(metavar="yes|no", help="The answer for every colour of the lamp.", show_default=False),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the lines of the socket.")] = False,
    socket: Socket = Path(DEFAULT_SOCKET),
) -> None:
    """Check a bench before work: lamp, buzzer, every channel, straps, reference resistors, air.

    You say what you hear and see, and lift each strap when told.
    Result, person, time and all numbers are recorded.
    Exit code 0 when it passed, 1 when it failed.

    Caution: an aid, no safety device. Keep boards in their bags meanwhile.
    Never bridge the resistor in a strap's cord.
    Reference resistors switch the sense wire only, never the earth path.
    """
    from quietbench.daemon.cli.entering import own_name
    from quietbench.daemon.cli.walking import Walk, at_terminal

    for name, answer in (("--heard", heard), ("--seen", seen)):
        if answer is not None and answer not in YES:
            fail(f"{name}: got {answer!r}, wanted yes or no", Exit.INPUT)
    if not at_terminal() and None in (heard, seen):
        fail(
            "nobody can be asked here: got no terminal, wanted --heard and --seen, each with yes or no",
            Exit.INPUT,
        )
    with errors_told():
        walk = Walk(bench, heard=heard, seen=seen, as_json=as_json)
        passed = walk.go(str(socket), {"person": own_name(), "role": role, "why": why})
    raise typer.Exit(Exit.FINE if passed else Exit.RUN)
