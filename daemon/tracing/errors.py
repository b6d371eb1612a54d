"""The error of the tracing; see `quietbench.daemon.errors` for the tree it hangs on."""

from __future__ import annotations

from quietbench.drivers.errors import QuietbenchError


class TracingError(QuietbenchError, ValueError):
    """What was asked can't be traced: no record, no such bench, no channel that watches a stretch."""
