"""What a database's answers to a write mean. Only 204 says that the points are taken."""

from __future__ import annotations

import re
from collections.abc import Mapping
from email.utils import parsedate_to_datetime

from quietbench.daemon.sinks.base import Accepted, Outcome, Refused, Trouble

_TEXT_MOST = 200
_RETENTION = re.compile(r"retention", re.IGNORECASE)
_ADVICE = {
    401: "check the token",
    403: "check what the token may write",
    404: "check address, organisation and bucket",
}


def outcome_of_answer(status: int, said: str, headers: Mapping[str, str], where: str) -> Outcome:
    """Return the outcome of a write that was answered with an HTTP status and what was said beside it."""
    text = f"{where} answers {status}: {_short(said)}"
    if status == 204:
        return Accepted()
    if status == 413:
        return Refused(text, certain=True, size=True)
    if status in (400, 422):
        # Points older than the bucket keeps are refused for what they are, however many come in a row.
        return Refused(text, certain=bool(_RETENTION.search(said)))
    if status in (408, 425, 429) or status >= 500:
        return Trouble(text, wait_s=retry_after_s(headers))
    return Trouble(
        f"{text} ({_ADVICE.get(status, 'wanted 204: is this the address of a database?')})", visible=True
    )


def retry_after_s(headers: Mapping[str, str]) -> float:
    """Return for how long the far end asks to be left alone, in seconds, 0 where it doesn't.

    A date is read against the far end's own clock, never ours, which may be wrong.
    """
    asked = headers.get("Retry-After", "").strip()
    if re.fullmatch(r"\d{1,9}", asked):
        return float(asked)
    try:
        until = parsedate_to_datetime(asked)
        now = parsedate_to_datetime(headers.get("Date", ""))
        return max(0.0, (until - now).total_seconds())
    except (ValueError, TypeError):
        return 0.0


def _short(said: str) -> str:
    text = " ".join(said.split())
    return text if len(text) <= _TEXT_MOST else f"{text[:_TEXT_MOST]}…"
