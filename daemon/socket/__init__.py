"""The watcher's local socket: the words of its protocol and a client in plain standard library."""
