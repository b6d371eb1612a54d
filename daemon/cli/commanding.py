"""The commands that a person gives to a watcher and answers for: each in the own name, with role and why.

A record is kept of every one. What can't be done is refused by the watcher in its own words, with exit code 4.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.cli.exits import errors_told
from quietbench.daemon.cli.options import (
    Alarm,
    Bench,
    For,
    Role,
    Socket,
    Why,
    channel_names,
    subject_names,
)
from quietbench.daemon.socket.protocol import DEFAULT_SOCKET

commands = typer.Typer()

ALARMS = "Alarms, each with who and why"
BENCHES = "At a bench, each with who and why"


def _tell(socket: Path, do: str, role: str, why: str, **fields: object) -> None:
    from quietbench.daemon.cli.entering import command, own_name

    with errors_told():
        print(command(str(socket), do, fields, {"person": own_name(), "role": role, "why": why}))


def _tell_for(socket: Path, do: str, typed: str, role: str, why: str, **fields: object) -> None:
    from quietbench.daemon.cli.entering import parse_duration

    with errors_told():
        for_s = parse_duration(typed)
    _tell(socket, do, role, why, **fields, for_s=for_s)


# --- alarms ---


@commands.command(
    rich_help_panel=ALARMS,
    epilog='Example: quietbench acknowledge bench-1/strap:closed --role technician --why "new cord"',
)
def acknowledge(alarm: Alarm, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Acknowledge an alarm in your own name: the buzzer rests, the record says who and why."""
    _tell(socket, "acknowledge", role, why, alarm=alarm)


@commands.command(
    rich_help_panel=ALARMS,
    epilog='Example: quietbench reset bench-1/mat:upper --role lead --why "mat cleaned and measured"',
)
def reset(alarm: Alarm, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Let go of a latched alarm: one that was acknowledged, is over, and waits for this."""
    _tell(socket, "reset", role, why, alarm=alarm)


@commands.command(
    rich_help_panel=ALARMS,
    epilog="Example: quietbench shelve bench-1/strap:closed --for 20m"
    ' --role technician --why "cord is being changed"',
)
def shelve(alarm: Alarm, *, for_: For, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Hide an alarm for a time: it neither sounds nor speaks, and comes back by itself.

    Bench state and relay follow the condition all the same.
    At most 30 minutes for an alarm of a path, 8 hours for any other.
    """
    _tell_for(socket, "shelve", for_, role, why, alarm=alarm)


@commands.command(
    rich_help_panel=ALARMS,
    epilog='Example: quietbench unshelve bench-1/strap:closed --role technician --why "new cord is in"',
)
def unshelve(alarm: Alarm, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Bring a shelved alarm back before its time; it sounds if its condition stands."""
    _tell(socket, "unshelve", role, why, alarm=alarm)


@commands.command(
    "take-out",
    rich_help_panel=ALARMS,
    epilog='Example: quietbench take-out bench-1/mat:fault --role lead --why "sensor sent in for calibration"',
)
def take_out(alarm: Alarm, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Take an alarm out of service for maintenance, until somebody puts it back.

    It neither sounds nor speaks meanwhile, and every view lists it.
    Bench state and relay follow the condition all the same.
    """
    _tell(socket, "remove", role, why, alarm=alarm)


@commands.command(
    "put-back",
    rich_help_panel=ALARMS,
    epilog='Example: quietbench put-back bench-1/mat:fault --role lead --why "sensor is back"',
)
def put_back(alarm: Alarm, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Put an alarm back into service; it sounds if its condition stands."""
    _tell(socket, "put-back", role, why, alarm=alarm)


# --- benches ---


@commands.command(
    rich_help_panel=BENCHES,
    epilog='Example: quietbench silence bench-1 --role operator --why "board is bagged, cord is being changed"',
)
def silence(bench: Bench, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Quiet a bench's buzzer for its silence time.

    Acknowledges nothing. What comes new sounds at once.
    What still stands and waits for an acknowledgement sounds again afterwards.
    """
    _tell(socket, "silence", role, why, bench=bench)


@commands.command(
    rich_help_panel=BENCHES,
    epilog='Example: quietbench live bench-1 --for 2h --role technician --why "supply under test, 48 V"',
)
def live(bench: Bench, *, for_: For, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """Declare live work at a bench: a stated time, 4 hours at most, in which its strap alarms are suppressed.

    Caution: straps come off only as your site's rules say.
    The view and the lamp show it; a new ready check is needed afterwards.
    A board out of its bag counts as exposed meanwhile.
    Refused where the site's own rule, strap_off_above_v, is not configured.
    """
    _tell_for(socket, "live", for_, role, why, bench=bench)


@commands.command(
    "end-live",
    rich_help_panel=BENCHES,
    epilog='Example: quietbench end-live bench-1 --role technician --why "done, supply is off"',
)
def end_live(bench: Bench, *, role: Role, why: Why, socket: Socket = Path(DEFAULT_SOCKET)) -> None:
    """End live work: the strap alarms are back, and the bench needs a new ready check.

    Caution: switch off and see that nothing is live any more before straps go back on.
    """
    _tell(socket, "end-live", role, why, bench=bench)


@commands.command(
    rich_help_panel=BENCHES,
    epilog='Example: quietbench enter bench-1/footwear 42Mohm --instrument "tester 1" --role lead --why "daily test"',
)
def enter(
    channel: Annotated[
        str,
        typer.Argument(
            help="The channel: bench-1/footwear", autocompletion=channel_names, show_default=False
        ),
    ],
    value: Annotated[str, typer.Argument(help="The value with its unit: 42Mohm", show_default=False)],
    *,
    instrument: Annotated[str, typer.Option(help="What it was measured with.", show_default=False)],
    role: Role,
    why: Why,
    socket: Socket = Path(DEFAULT_SOCKET),
) -> None:
    """Enter a periodic check measured by hand; it is judged by the channel's limit and kept.

    Only for channels with a limit that is checked by hand; anything else is kept with "quietbench note".
    """
    from quietbench.daemon.cli.entering import enter as enter_it
    from quietbench.daemon.cli.entering import own_name

    with errors_told():
        who = {"person": own_name(), "role": role, "why": why, "instrument": instrument}
        print(enter_it(str(socket), channel, value, who))


@commands.command(
    rich_help_panel=BENCHES,
    epilog='Example: quietbench note bench-1/cord "kinked near the plug" --role operator --why "seen while cleaning"',
)
def note(
    subject: Annotated[
        str,
        typer.Argument(
            metavar="SUBJECT",
            help="A bench, channel, stretch or any part: bench-1/cord",
            autocompletion=subject_names,
            show_default=False,
        ),
    ],
    text: Annotated[
        str, typer.Argument(metavar="TEXT", help="What you saw or did, in quotes.", show_default=False)
    ],
    *,
    role: Role,
    why: Why,
    socket: Socket = Path(DEFAULT_SOCKET),
) -> None:
    """Write a note into the record; it decides nothing."""
    _tell(socket, "note", role, why, subject=subject, what=text)
