"""The topics of the MQTT sink.

::

    PREFIX/WATCHER/status                       retained   online or offline (the will), with the run
    PREFIX/WATCHER/bench/BENCH                  retained   the state of a bench
    PREFIX/WATCHER/alarm/PLACE/CHANNEL/LIMIT    retained   the state of an alarm
    PREFIX/WATCHER/live                         alarm and bench events at once, before they are on disk
    PREFIX/WATCHER/events                       every event, in order, after it is on disk
    PREFIX/WATCHER/readings                     readings in batches, in order, after they are on disk
    PREFIX/WATCHER/command/CLIENT               commands from one client, if the configuration lets it give any
    PREFIX/WATCHER/command/CLIENT/answer        what became of them

An alarm's id "bench-1/strap:closed" becomes the levels "bench-1/strap/closed". A character that could mislead a
broker or a subscriber (wildcards, blanks, anything but letters, digits and ``-._~``) is percent-encoded within
its level, as in an address, so that `alarm_of` gives the id back.
"""

from __future__ import annotations

import re
from urllib.parse import quote, unquote

from quietbench.daemon.errors import ConfigurationError

_BAD_PREFIX = re.compile(r"[+#\x00-\x20\x7f]|//|^[/$]|/$|^$")


class Topics:
    """All topics of one watcher."""

    def __init__(self, prefix: str, watcher: str) -> None:
        """Take the first levels of every topic and the watcher's name.

        Raises:
            ConfigurationError: the prefix can't begin a topic.
        """
        if _BAD_PREFIX.search(prefix):
            raise ConfigurationError(
                f'topic prefix: got "{prefix}", wanted levels parted by single "/", '
                "without +, #, blanks or a $ in front"
            )
        self.root = f"{prefix}/{level(watcher)}"
        self.status = f"{self.root}/status"
        self.live = f"{self.root}/live"
        self.events = f"{self.root}/events"
        self.readings = f"{self.root}/readings"

    def bench(self, bench: str) -> str:
        """Return the topic of a bench's state."""
        return f"{self.root}/bench/{level(bench)}"

    def alarm(self, alarm: str) -> str:
        """Return the topic of an alarm's state."""
        channel, _, limit = alarm.rpartition(":")
        levels = [*channel.split("/", 1), limit] if channel else [limit]
        return "/".join([self.root, "alarm", *map(level, levels)])

    def command(self, client: str) -> str:
        """Return the topic on which a client gives commands."""
        return f"{self.root}/command/{level(client)}"

    def answer(self, client: str) -> str:
        """Return the topic on which a client's commands are answered."""
        return f"{self.command(client)}/answer"

    def alarm_of(self, topic: str) -> str:
        """Return the id of the alarm that `alarm` made a topic of."""
        *place, limit = topic.removeprefix(f"{self.root}/alarm/").split("/")
        return ":".join(filter(None, ["/".join(map(unquote, place)), unquote(limit)]))


def level(word: str) -> str:
    """Return a word as one topic level; an empty one becomes "-"."""
    return quote(word, safe="") or "-"
