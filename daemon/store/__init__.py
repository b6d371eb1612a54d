"""The store: every record on disk once, in the order it was made, and the queue that sinks and pages read from.

One SQLite file in WAL mode. `quietbench.daemon.store.writer` holds the only connection that writes or
checkpoints; `quietbench.daemon.store.read` is for everybody else and never writes.
"""
