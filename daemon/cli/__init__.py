"""The command line. Importing this imports nothing: each command fetches what it needs when it is called."""

from __future__ import annotations


def main() -> None:
    """Run the command line; ends the process with a code of `quietbench.daemon.cli.exits.Exit`."""
    import sys

    from quietbench.daemon.cli.app import app

    for stream in (sys.stdout, sys.stderr):
        # A terminal without "±" must not end a command.
        stream.reconfigure(errors="replace")  # type: ignore[union-attr]
    app(prog_name="quietbench")
