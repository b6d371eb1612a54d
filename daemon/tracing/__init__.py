"""Where an intermittent ground lets go, since when, under what circumstances, and whether the repair worked.

Pure functions over arrays; with air and report the only part of the daemon that imports numpy and scipy. It runs
as a process of its own (``python -m quietbench.daemon.tracing``), never inside the watcher, the page or
the command line.

==================== ==========================================================================
`wiring`             the earth tree and its channels as arrays; sets that no channel tells apart
`dropouts`           readings into dropouts: start, duration, depth, what cut them
`detection`          how likely a channel shows an opening, by its duration
`coincide`           dropouts into openings, openings into bursts, bursts into rows
`evidence`, `search` the model: which set of stretches explains the rows, with what rate
`posterior`          rates with intervals, suspects in order, what can't be told apart
`nextstep`           the one measurement or swap that would tell most
`offsets`            clocks of several watchers against each other
`counting`, `trend`, `drift`, `circumstances`, `repair`   when, why, and did it help
`history`, `analysis`, `words`, `drawing`, `worksheet`    from the store to a page that people read
==================== ==========================================================================
"""
