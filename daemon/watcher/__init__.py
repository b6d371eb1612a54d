"""The watcher: the process that touches hardware, runs the core, and accepts no network connection."""
