"""What a sink has to complain about, put together into the one text that a person sees."""

from __future__ import annotations

from dataclasses import dataclass

from quietbench.daemon.sinks.base import SECOND_NS, Trouble


@dataclass(slots=True)
class _Complaint:
    trouble: Trouble
    since_ns: int


class Complaints:
    """By topic (the connection, one stream, …); quiet trouble becomes visible after ``patience_s``."""

    def __init__(self, patience_s: float) -> None:
        self._patience_ns = int(patience_s * SECOND_NS)
        self._patience_s = patience_s
        self._by_topic: dict[str, _Complaint] = {}

    def trouble(self, topic: str, trouble: Trouble, now_ns: int) -> bool:
        """Note trouble, whose age counts from the first one of the topic; return whether it is the first."""
        known = self._by_topic.get(topic)
        self._by_topic[topic] = _Complaint(trouble, known.since_ns if known else now_ns)
        return known is None

    def well(self, topic: str) -> bool:
        """Forget a topic's trouble; return whether there was any."""
        return self._by_topic.pop(topic, None) is not None

    def text(self, now_ns: int) -> str | None:
        """Return what a person should know, or None; it changes only when the matter does."""
        said = [self._say(complaint, now_ns) for _, complaint in sorted(self._by_topic.items())]
        return "; ".join(dict.fromkeys(text for text in said if text)) or None

    def _say(self, complaint: _Complaint, now_ns: int) -> str | None:
        if complaint.trouble.visible:
            return complaint.trouble.why
        if now_ns - complaint.since_ns < self._patience_ns:
            return None
        return f"nothing delivered for more than {self._patience_s:g} s: {complaint.trouble.why}"
