"""The watcher, its core, store, sinks and command line."""
