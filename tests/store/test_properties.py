"""Whatever is put in whatever pieces, over stops and power cuts: the same content, numbered without a gap."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietbench.daemon.core.records import Record
from tests.store.kit import Site, event, numbers_and_counts, reading

STEPS = st.lists(
    st.one_of(
        st.lists(st.booleans(), min_size=1, max_size=12),  # put: True an event, False a reading
        st.integers(0, 40),  # advance a cursor to
        st.sampled_from(["stop", "cut", "wait"]),
    ),
    max_size=14,
)


def records_of(run: int, first: int, kinds: list[bool]) -> list[Record]:
    return [
        event(count, subject=f"run-{run}") if is_event else reading(count, count % 2)
        for count, is_event in enumerate(kinds, first)
    ]


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(steps=STEPS)
def test_any_sequence_keeps_content_order_and_numbers(steps: list[list[bool] | int | str]) -> None:
    """Puts, cursors, clean stops and cuts after a commit in any order."""
    with tempfile.TemporaryDirectory() as top:
        _play(Path(top), steps)


def _play(top: Path, steps: list[list[bool] | int | str]) -> None:
    site = Site(top / "0")
    writer = site.started()
    opened = [site]
    put: list[Record] = []
    run, count, cursor = 1, 0, 0
    checks = 0  # records of the store's own: one for each cut
    for number, step in enumerate(steps, 1):
        if isinstance(step, list):
            records = records_of(run, count + 1, step)
            count += len(records)
            put += records
            writer.put(records)
        elif isinstance(step, int):
            writer.advance("broker", "events", step)
            cursor = max(cursor, step)
        elif step == "stop":
            assert writer.stop(5)
            writer = site.started()
            run, count = run + 1, 0
        else:
            site.until_stored(len(put) + checks)
            site.heard.until(lambda s=site, c=cursor: s.reader.cursor("broker", "events") == c)  # type: ignore[misc]
            if step == "cut":
                site = site.image(top / str(number))
                opened.append(site)
                writer = site.started()
                run, count, checks = run + 1, 0, checks + 1
                site.until_stored(len(put) + checks)
    assert writer.stop(5)
    pairs = numbers_and_counts(site.reader)
    stored_cursor = site.reader.cursor("broker", "events")
    for each in opened:
        each.close()

    assert [n for n, _ in pairs] == list(range(1, len(put) + checks + 1))
    assert [c for _, c in pairs if c > 0] == [record.count for record in put]
    assert stored_cursor == cursor
