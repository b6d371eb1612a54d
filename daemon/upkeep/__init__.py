"""How the alarms themselves are doing, and what other limits would have made of a recorded time.

Pure functions over alarm events and recorded runs; only `history` reads a store. The watcher imports none of it.
"""
