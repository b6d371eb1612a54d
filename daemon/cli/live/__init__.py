"""The live view: what a watcher says, drawn as the wiring itself and one sentence, or as plain lines."""
