"""The commands, their arguments and their help. Each imports what it needs when it is called, to start fast."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.cli.air import commands as air_commands
from quietbench.daemon.cli.commanding import commands
from quietbench.daemon.cli.exits import EXIT_TEXT, Exit, errors_told, fail
from quietbench.daemon.cli.options import AsJson, File, Socket, bench_names, profile_names
from quietbench.daemon.cli.readying import commands as ready_commands
from quietbench.daemon.cli.tracing_commands import commands as tracing_commands
from quietbench.daemon.cli.upkeep import commands as upkeep_commands
from quietbench.daemon.socket.protocol import DEFAULT_SOCKET

app = typer.Typer(
    name="quietbench",
    help="Watches the grounding paths of static-safe rework benches and keeps the evidence.",
    epilog=EXIT_TEXT,
    no_args_is_help=True,
    rich_markup_mode="rich",
    # A table of every local variable helps nobody at a bench, and could show what should not be shown.
    pretty_exceptions_show_locals=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"quietbench {version('quietbench')}")
        raise typer.Exit


@app.callback()
def _main(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which release this is.")
    ] = False,
) -> None:
    """Watches the grounding paths of static-safe rework benches and keeps the evidence."""


@app.command(epilog="Example: quietbench run /etc/quietbench/room-2.toml")
def run(file: File) -> None:
    """Watch the benches of a configuration until stopped.

    This process becomes the watcher; stop it with Ctrl-C or SIGTERM. Check the file first with "quietbench check".
    """
    if (trouble := _trouble_with(file)) is not None:
        fail(f"{file}: {trouble}; wanted the watcher's configuration, a TOML file", Exit.INPUT)
    # The watcher takes this process's place, so that nothing of the command line stays in its memory.
    sys.stdout.flush()
    os.execv(sys.executable, watcher_command(file))  # noqa: S606  our own interpreter, no shell


def _trouble_with(file: Path) -> str | None:
    try:
        file.stat()
    except FileNotFoundError:
        return "no such file"
    except OSError as problem:
        return f"it can't be looked at ({problem.strerror})"
    return "this is a directory" if file.is_dir() else None


def watcher_command(file: Path) -> list[str]:
    """Return the command that is the watcher of a configuration."""
    return [sys.executable, "-P", "-m", "quietbench.daemon.watcher", str(file)]


@app.command(epilog="Example: quietbench check /etc/quietbench/room-2.toml")
def check(file: File, *, as_json: AsJson = False) -> None:
    """Say everything that is wrong with a configuration, at once, with line and right spelling.

    Warnings alone leave the exit code at 0; an error makes it 2.
    """
    from quietbench.daemon.cli.checking import check as check_it

    with errors_told():
        code = check_it(file, as_json=as_json)
    raise typer.Exit(code)


@app.command(epilog="Example: quietbench profiles s20.20-2021")
def profiles(
    name: Annotated[
        str | None,
        typer.Argument(
            help="Only this one, in full; a built-in name or the path of a file.",
            autocompletion=profile_names,
            show_default=False,
        ),
    ] = None,
    *,
    as_json: AsJson = False,
) -> None:
    """List the limit profiles: every number with the edition and clause it comes from, and how sure it is."""
    from quietbench.daemon.cli.listing import list_profiles

    with errors_told():
        list_profiles(name, as_json=as_json)


@app.command(epilog="Example: quietbench drivers")
def drivers(*, as_json: AsJson = False) -> None:
    """List the drivers on this machine with their options; a broken one is named with its reason."""
    from quietbench.daemon.cli.listing import list_drivers

    with errors_told():
        code = list_drivers(as_json=as_json)
    raise typer.Exit(code)


@app.command(epilog="Example: quietbench watch --bench bench-1")
def watch(
    *,
    socket: Socket = Path(DEFAULT_SOCKET),
    bench: Annotated[
        str | None, typer.Option(metavar="NAME", help="Only this bench.", autocompletion=bench_names)
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the lines of the socket as they are.")
    ] = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="Print lines as things change; draw nothing.")
    ] = False,
    give_up: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS",
            min=0.0,
            help="Leave with code 3 when a lost watcher is not back after so long.",
        ),
    ] = None,
) -> None:
    """Show live what a watcher sees: the paths to earth, what to do, what sounds, the readings.

    Without a terminal it prints a line for each change. When the watcher goes away it says so and waits for it.
    """
    from quietbench.daemon.cli.following import Following
    from quietbench.daemon.cli.watching import watch as watch_it

    with errors_told():
        watch_it(Following(str(socket), give_up), bench=bench, as_json=as_json, plain=plain)


@app.command(epilog="Example: quietbench demo --seconds 60")
def demo(
    *,
    seconds: Annotated[float, typer.Option(min=1.0, help="How long it runs.")] = 60.0,
    folder: Annotated[
        Path | None, typer.Option(help="Where it runs, and what to keep; a temporary folder if not given.")
    ] = None,
    plain: Annotated[
        bool, typer.Option("--plain", help="Print lines as things change; draw nothing.")
    ] = False,
) -> None:
    """Show an invented site with two benches, simulated: a strap cord lets go, a mat lead loosens, the air dries.

    Needs no hardware and no rights. The watcher is the real one; only what hangs on its wires is simulated.
    """
    from quietbench.daemon.cli.demo.play import play

    with errors_told():
        code = play(seconds, folder, plain=plain)
    raise typer.Exit(code)


@app.command(epilog="Example: quietbench status")
def status(*, socket: Socket = Path(DEFAULT_SOCKET), as_json: AsJson = False) -> None:
    """Ask a watcher how it is: its run, its store, its sinks, what it follows."""
    from quietbench.daemon.cli.entering import status as ask
    from quietbench.daemon.cli.listing import print_status

    with errors_told():
        print_status(ask(str(socket)), as_json=as_json)


app.add_typer(upkeep_commands)
app.add_typer(commands)
app.add_typer(ready_commands)
app.add_typer(air_commands)
app.add_typer(tracing_commands)
