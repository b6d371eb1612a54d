"""The analysis as a process of its own: arguments as JSON on stdin, the result as JSON on stdout.

::

    {"folders": ["/var/lib/quietbench"], "bench": null, "since_s": null, "repair": null, "offset_s": 0.0,
     "memory_mb": 400, "seconds": 60}

Errors of the project go to stderr as one line, with exit code 1. Memory and time are limited from within: the kernel
then refuses the memory, or ends the process, and nothing else on the machine suffers.
"""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path
from typing import Any

from quietbench.drivers.errors import QuietbenchError

_LEAST_MB = 150


def main() -> int:
    """Read the question, answer it."""
    asked: dict[str, Any] = json.load(sys.stdin)
    _limit(int(asked.get("memory_mb", 400)), int(asked.get("seconds", 60)))
    try:
        answer = _answer(asked)
    except QuietbenchError as error:
        print(error, file=sys.stderr)
        return 1
    except MemoryError:
        print(
            f"got more records than fit in {asked['memory_mb']} MB; ask with --since for less",
            file=sys.stderr,
        )
        return 1
    json.dump(answer, sys.stdout, ensure_ascii=False, allow_nan=False)
    return 0


def _limit(memory_mb: int, seconds: int) -> None:
    # Below what it needs to load, the linear algebra's library asks for memory again and again, for ever.
    memory_mb = max(memory_mb, _LEAST_MB)
    resource.setrlimit(resource.RLIMIT_DATA, (memory_mb << 20, memory_mb << 20))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))


def _answer(asked: dict[str, Any]) -> dict[str, Any]:
    # Imported under the limits: numpy's and scipy's own memory counts too.
    from quietbench.daemon.tracing.analysis import trace

    return trace(
        [Path(folder) for folder in asked["folders"]],
        bench=asked.get("bench"),
        since_s=asked.get("since_s"),
        repair=asked.get("repair"),
        offset_s=float(asked.get("offset_s", 0.0)),
    )


if __name__ == "__main__":
    sys.exit(main())
