"""The configuration: models of the one file a watcher needs, the check that names every mistake, the plan."""
