"""The demonstration: simulators and watcher as processes of their own, the view over the real socket."""
