"""CSV from real rooms: whatever is wrong with a line is counted and told, never an exception."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietbench.daemon.air.analysis import Surroundings, analysed
from quietbench.daemon.air.csv_source import read_csv, series_of_text
from quietbench.daemon.air.outside import Band
from quietbench.daemon.air.store_source import Room
from quietbench.daemon.errors import ConfigurationError

HEAD = "time,temperature,relative_humidity\n"


def test_two_zones_are_one_time() -> None:
    """09:00+01:00 and 08:00Z are one stamp; no offset means UTC."""
    series, report = series_of_text(
        HEAD
        + "2031-03-10T08:00:00Z,21.0,40\n2031-03-10T09:00:00+01:00,21.0,40\n2031-03-10T08:10:00,21.0,41\n"
        + "2031-03-10T17:20:00+09:00,21.0,42\n",
        "a",
    )

    assert len(series) == 3
    assert series.tidying.duplicates == 1
    assert report.offsets == {"+00:00", "+01:00", "+09:00"}
    assert (series.times_s[1:] - series.times_s[:-1]).tolist() == [600.0, 600.0]


def test_columns_may_stand_in_any_order() -> None:
    """And others beside them."""
    series, _ = series_of_text("Site,relative_humidity,TIME,temperature\nx,40,2031-03-10,21\n", "a")

    assert series.humidity.tolist() == [0.40]
    assert series.air_k.tolist() == [294.15]


def test_bad_lines_are_named() -> None:
    """With their numbers, the first few of them."""
    _, report = series_of_text(HEAD + "yesterday,21,40\n2031-03-10T08:00:00Z,warm,40\n2031-03-10\n", "a")

    assert (report.lines, report.unreadable) == (3, 3)
    assert report.examples[0].startswith("line 2: got the time 'yesterday'")
    assert "warm" in report.examples[1]


@pytest.mark.parametrize("text", ["", "a,b,c\n1,2,3\n", "time;temperature;relative_humidity\n"])
def test_a_file_without_the_columns_is_refused(text: str) -> None:
    """Saying what was wanted."""
    with pytest.raises(ConfigurationError, match="wanted time,temperature,relative_humidity"):
        series_of_text(text, "a")


def test_what_is_no_text_is_refused(tmp_path: Path) -> None:
    """Bytes, and no file at all."""
    (tmp_path / "a.csv").write_bytes(b"\xff\xfe\x00time")

    with pytest.raises(ConfigurationError, match="UTF-8"):
        read_csv(tmp_path / "a.csv")
    with pytest.raises(ConfigurationError, match="can't be read"):
        read_csv(tmp_path / "b.csv")


CELLS = st.one_of(
    st.datetimes().map(lambda at: at.isoformat()),
    st.integers(1_900_000_000, 1_930_000_000).map(
        lambda s: f"2031-03-{s % 28 + 1:02}T{s % 24:02}:00:00+05:30"
    ),
    st.floats(allow_nan=True, allow_infinity=True).map(str),
    st.integers(-50, 150).map(str),
    st.text(max_size=8),
)


@settings(deadline=None, max_examples=60)
@given(rows=st.lists(st.lists(CELLS, max_size=4), max_size=30))
def test_any_file_gives_a_report(rows: list[list[str]]) -> None:
    """Odd intervals, gaps, duplicates, disorder, rubbish: an analysis and a sentence, no exception."""
    series, report = series_of_text(HEAD + "\n".join(",".join(row) for row in rows), "a")
    told = analysed("", [Room("a", [series], Band(0.3, 0.7))], Surroundings("Etc/GMT-9"))

    assert told["rooms"][0]["sentence"]
    assert report.unreadable <= max(report.lines, len(rows) * 9)


@settings(deadline=None, max_examples=25)
@given(
    gaps=st.lists(st.tuples(st.integers(0, 900), st.integers(1, 300)), max_size=4),
    step_s=st.sampled_from([37.0, 600.0, 1800.0, 5000.0]),
    days=st.integers(1, 12),
)
def test_any_gaps_give_a_report(gaps: list[tuple[int, int]], step_s: float, days: int) -> None:
    """Histories of all lengths with holes in them."""
    import numpy as np

    from quietbench.daemon.air.series import tidied

    from .kit import made_up

    whole = made_up(float(days), step_s=step_s)
    keep = np.ones(len(whole), dtype=bool)
    for first, length in gaps:
        keep[first : first + length] = False
    part = tidied(
        "a", whole.times_s[keep], whole.humidity[keep], whole.air_k[keep], u_humidity=0.01, u_air_k=0.2
    )
    told = analysed("", [Room("a", [part], Band(0.3, 0.7))], Surroundings())

    assert told["rooms"][0]["sentence"]
