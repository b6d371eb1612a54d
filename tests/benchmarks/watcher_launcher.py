"""The watcher's own program with another switch interval, from QUIETBENCH_BENCHMARK_SWITCH_INTERVAL_S.

For measuring what the watcher's choice is worth; the watcher itself reads no such thing.
"""

from __future__ import annotations

import os
import sys

from quietbench.daemon.watcher import __main__ as program
from quietbench.daemon.watcher import runtime

if __name__ == "__main__":
    runtime.SWITCH_INTERVAL_S = float(os.environ["QUIETBENCH_BENCHMARK_SWITCH_INTERVAL_S"])
    sys.exit(program.main(sys.argv[1:]))
