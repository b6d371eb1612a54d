"""The committed scores: they speak of the code as it is, and say what was asked for."""

from __future__ import annotations

import re

import pytest

from .prove import PARTS, TABLE, code_hash, part_of

TEXT = TABLE.read_text("utf-8")
ROW = re.compile(r"^\| all \| (\d+) h \| (\d+) \|.*\| (-?[\d.]+)% \| ([\d.]+)% \|$", re.MULTILINE)


@pytest.mark.parametrize("part", PARTS)
def test_the_table_is_not_older_than_the_code(part: str) -> None:
    """When this fails: make prove-air."""
    assert f"Code: `{code_hash(part)}`" in part_of(TEXT, part)


def test_the_forecast_is_as_good_as_asked() -> None:
    """Over all seasons, with and without the outdoor dew point: 25 % at 6 h, 10 % at 24 h; 75 … 85 % held."""
    rows = [(int(h), int(days), float(gain), float(held)) for h, days, gain, held in ROW.findall(TEXT)]

    assert [row[0] for row in rows] == [6, 24, 6, 24]
    for horizon, days, gain, held in rows:
        assert days >= 300
        assert gain >= (25.0 if horizon == 6 else 10.0)
        assert 75.0 <= held <= 85.0


def test_sensors_are_compared_as_well_as_asked() -> None:
    """Drift found, under 5 % false alarms, nobody blamed for the sun."""
    rows = re.findall(r"^\| ([^|]+?) \| \d+ \| ([\d.]+)% \|$", TEXT, re.MULTILINE)
    told = {what: float(share) for what, share in rows}

    assert told["drift of 1 %RH a month: found"] >= 95.0
    assert told["no drift: false alarms"] < 5.0
    assert told["a sensor in the sun: blamed for humidity"] == 0.0
