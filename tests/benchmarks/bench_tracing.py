"""Tracing a million dropouts: seconds, memory, and how the cost grows with their number.

Each size runs in a process of its own, because the figure is peak memory too. The bare baseline is one sort of as
many stamps in the same run.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

SIZES = (10_000, 100_000, 1_000_000)
CHANNELS, STRETCHES, SPAN_S = 200, 300, 365 * 86400.0


def _measure(size: int) -> dict[str, float]:
    from quietbench.daemon.tracing.gaps import burst_gap
    from quietbench.daemon.tracing.locate import locate
    from tests.tracing.large import large_site

    wiring, seeing, dropouts, span = large_site(size, channels=CHANNELS, stretches=STRETCHES, span_s=SPAN_S)
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    stamps = dropouts.start_lo_s.copy()
    np.random.default_rng(1).shuffle(stamps)
    bare = time.perf_counter()
    np.sort(stamps)
    bare = time.perf_counter() - bare
    began = time.perf_counter()
    located = locate(wiring, seeing, dropouts, span, gap_s=burst_gap(dropouts))
    took = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {
        "dropouts": len(dropouts),
        "rows": len(located.rows.count),
        "seconds": took,
        "sort_s": bare,
        "peak_mb": peak,
        "input_mb": before_mb,
    }


@pytest.mark.parametrize("size", SIZES)
def test_tracing_of_many_dropouts(size: int, benchmark: Any) -> None:
    """Prints seconds and peak memory of one size."""
    root = Path(__file__).parents[2]
    command = [sys.executable, "-m", "tests.benchmarks.bench_tracing", str(size)]

    def run() -> dict[str, float]:
        done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=root)
        return dict(json.loads(done.stdout))

    figures = benchmark.pedantic(run, rounds=1, iterations=1)
    benchmark.extra_info.update(figures)
    print(
        f"\n{figures['dropouts']:.0f} dropouts, {CHANNELS} channels, {STRETCHES} stretches: "
        f"{figures['seconds']:.2f} s ({figures['seconds'] / figures['sort_s']:.0f} sorts of the stamps), "
        f"peak {figures['peak_mb']:.0f} MB, {figures['rows']:.0f} rows"
    )
    assert figures["dropouts"] >= 0.95 * size


if __name__ == "__main__":
    print(json.dumps(_measure(int(sys.argv[1]))))
