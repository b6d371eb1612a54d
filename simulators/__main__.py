"""Run a simulated site: ``python -m quietbench.simulators SCENARIO --folder DIR``.

In DIR stand, when the one line ``ready`` has been written to standard output: ``board.sock`` (lines and
conversions, for the pin factory ``quietbench-simulator``), ``ports/NAME`` (serial ports), ``control.sock`` (a
test's hand, see `quietbench.simulators.control_server`) and ``truth.jsonl`` (what really happened). It ends
cleanly on SIGTERM and SIGINT and takes its sockets and links away; the truth stays.

Exit codes: 0 ended as asked, 2 the scenario or the folder can't be used.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from quietbench.simulators.scenario import ScenarioError, builtin_scenarios, load
from quietbench.simulators.serve import FolderError, Service, make_loop, prepare, serve


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a simulated site until it is told to stop; return the exit code."""
    options = _parser().parse_args(arguments)
    try:
        scenario, folder = load(options.scenario), prepare(options.folder)
        service = Service(scenario, folder, seed=options.seed, speed=options.speed)
    except (ScenarioError, FolderError) as error:
        print(error, file=sys.stderr)
        return 2
    with asyncio.Runner(loop_factory=make_loop) as runner:
        runner.run(_run(service, options.seconds))
    return 0


async def _run(service: Service, seconds: float | None) -> None:
    stop = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await serve(service, stop, seconds, partial(print, "ready", flush=True))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m quietbench.simulators", description="Run a simulated site."
    )
    parser.add_argument(
        "scenario", help=f"one of {', '.join(builtin_scenarios())}, or the path of a TOML file"
    )
    parser.add_argument("--folder", type=Path, required=True, help="where its sockets, ports and truth go")
    parser.add_argument("--seed", type=int, help="another seed than the scenario's own")
    parser.add_argument("--speed", type=_positive, default=1.0, help="model seconds per second (default 1)")
    parser.add_argument("--seconds", type=_positive, help="end by itself after so many seconds")
    return parser


def _positive(text: str) -> float:
    number = float(text)
    if not 0.0 < number < 1e9:
        raise argparse.ArgumentTypeError(f"got {text}, wanted a number above 0")
    return number


if __name__ == "__main__":
    sys.exit(main())
