"""Chance that depends on a seed and on what is asked, not on the order of asking."""

from __future__ import annotations

import hashlib
import random


def stream(seed: int, *key: object) -> random.Random:
    """Return the source of chance that belongs to ``key`` under ``seed``; equal arguments, equal numbers."""
    digest = hashlib.blake2b(repr((seed, *key)).encode(), digest_size=8).digest()
    return random.Random(int.from_bytes(digest))  # noqa: S311  # physics wants to be repeatable, not secret
