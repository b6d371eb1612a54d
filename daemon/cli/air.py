"""The commands ``air`` and ``salt-check``: humidity for facilities."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from quietbench.daemon.cli.exits import errors_told
from quietbench.daemon.cli.options import AsJson, Role, Socket, Why, channel_names
from quietbench.daemon.socket.protocol import DEFAULT_SOCKET

commands = typer.Typer()


@commands.command(epilog="Example: quietbench air --store store --room room-2 --since 30d --zone Etc/GMT-9")
def air(
    *,
    store: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="The watcher's store.", file_okay=False, show_default=False),
    ] = None,
    csv: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE",
            help="Instead: a file with time,temperature,relative_humidity (°C, %RH); may be given again.",
            show_default=False,
        ),
    ] = None,
    room: Annotated[
        str | None, typer.Option(metavar="NAME", help="Only this room.", show_default=False)
    ] = None,
    since: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="From when: 2031-05-01, 30d. Default: all.", show_default=False),
    ] = None,
    zone: Annotated[str, typer.Option(metavar="NAME", help="The site's time zone.")] = "UTC",
    low: Annotated[float | None, typer.Option(metavar="%RH", help="With --csv: the low limit.")] = None,
    high: Annotated[float | None, typer.Option(metavar="%RH", help="With --csv: the high limit.")] = None,
    outdoors: Annotated[
        str | None,
        typer.Option(
            metavar="CHANNEL|FILE",
            help="Outdoor humidity: a channel of the store, or a CSV file.",
            show_default=False,
        ),
    ] = None,
    altitude: Annotated[float, typer.Option(metavar="M", help="The site's altitude.")] = 0.0,
    volume: Annotated[
        float | None, typer.Option(metavar="M3", help="A room's volume, for humidifying.")
    ] = None,
    air_changes: Annotated[float | None, typer.Option(metavar="N", help="Air changes an hour.")] = None,
    target: Annotated[float | None, typer.Option(metavar="%RH", help="What to humidify to.")] = None,
    weekly: Annotated[bool, typer.Option("--weekly", help="The week's summary, short.")] = False,
    sheet: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the summary as an HTML file to print.", show_default=False),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show where the humidity of each room stands, where it is heading, and whether sensors agree.

    Time outside the limits, a forecast of two days with its chance, what dry air means at a bench.
    """
    from quietbench.daemon.cli.airing import Wish, show

    with errors_told():
        show(
            Wish(
                store,
                tuple(csv or ()),
                room,
                since,
                zone,
                low,
                high,
                outdoors,
                altitude,
                volume,
                air_changes,
                target,
            ),
            as_json=as_json,
            weekly=weekly,
            sheet=sheet,
        )


@commands.command(
    "salt-check",
    epilog='Example: quietbench salt-check room-2/humidity --salt NaCl --role lead --why "yearly check"',
)
def salt_check(
    channel: Annotated[
        str,
        typer.Argument(
            metavar="CHANNEL", help="The humidity channel.", autocompletion=channel_names, show_default=False
        ),
    ],
    *,
    salt: Annotated[str, typer.Option(help="LiCl, MgCl2, K2CO3, MgNO3, NaCl or KCl.", show_default=False)],
    role: Role,
    why: Why,
    temperature: Annotated[
        str | None,
        typer.Option(metavar="CHANNEL", help="The temperature channel beside it.", show_default=False),
    ] = None,
    apart: Annotated[
        float, typer.Option(metavar="K", help="How far sensor and salt may be apart in temperature.")
    ] = 0.2,
    settle: Annotated[float, typer.Option(metavar="MIN", help="How long it must stand still.")] = 15.0,
    at_most: Annotated[float, typer.Option(metavar="MIN", help="When to give up.")] = 240.0,
    store: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Take earlier salt points of this store in.", show_default=False),
    ] = None,
    socket: Socket = Path(DEFAULT_SOCKET),
    as_json: AsJson = False,
) -> None:
    """Check a humidity sensor over a saturated salt solution: wait, read, propose a correction, record.

    Keep salts away from boards and open electronics. One point gives an offset; points over two salts or more, on
    record in the store, give a line. The configuration is never changed by this.
    """
    from quietbench.daemon.cli.salting import SaltWish, check_over_salt

    with errors_told():
        wish = SaltWish(channel, salt, temperature, apart, settle * 60.0, at_most * 60.0, store)
        check_over_salt(str(socket), wish, role=role, why=why, as_json=as_json)
