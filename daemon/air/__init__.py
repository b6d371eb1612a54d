"""Humidity for facilities: pure functions over arrays, and the child process that runs them.

Nothing here is imported by the watcher or by the command line itself: numpy and scipy live in the process that
`quietbench.daemon.air.__main__` is. docs/air.md has the method, its sources and its limits.
"""
