"""Typical charging voltages, at the columns in which they were printed and nowhere else."""

from __future__ import annotations

import pytest

from quietbench.daemon.air.tables import ChargingColumn, charging_at

# DOD-HDBK-263 (1980), typical electrostatic voltages; rows 1-3 seen in a copy, 4-6 from memory, high confidence.
HANDBOOK = {
    "walking across carpet": (35_000, 1_500),
    "walking over vinyl floor": (12_000, 250),
    "worker at bench": (6_000, 100),
    "vinyl envelopes for work instructions": (7_000, 600),
    "common poly bag picked up from bench": (20_000, 1_200),
    "work chair padded with polyurethane foam": (18_000, 1_500),
}
# The three-column table of a computer service guide: 10, 40 and 55 %RH; seen in a copy.
THREE_COLUMNS = {
    "walking across carpet": (35_000, 15_000, 7_500),
    "walking over vinyl floor": (12_000, 5_000, 3_000),
    "worker at bench": (6_000, 800, 400),
    "parts out of a plastic tube": (2_000, 700, 400),
    "parts out of a vinyl tray": (11_500, 4_000, 2_000),
    "parts out of foam": (14_500, 5_000, 3_500),
    "bubble pack off a board": (26_500, 20_000, 7_000),
    "boards into a foam box": (21_000, 11_000, 5_000),
}


def volts(column: ChargingColumn | None) -> dict[str, float]:
    assert column is not None
    return {activity: value for activity, value, _ in column.rows}


@pytest.mark.parametrize(("percent", "column"), [(10, 0), (20, 0), (65, 1), (90, 1)])
def test_the_handbook_at_its_own_columns(percent: float, column: int) -> None:
    """Within a printed column the same column stands on either side."""
    handbook = charging_at(percent / 100.0)[0]

    assert handbook.drier == handbook.damper
    assert volts(handbook.drier) == {activity: values[column] for activity, values in HANDBOOK.items()}


@pytest.mark.parametrize(("percent", "column"), [(10, 0), (40, 1), (55, 2)])
def test_the_three_column_table_at_its_own_columns(percent: float, column: int) -> None:
    """Likewise for the other source."""
    table = charging_at(percent / 100.0)[1]

    assert table.drier == table.damper
    assert volts(table.drier) == {activity: values[column] for activity, values in THREE_COLUMNS.items()}


def test_the_two_sources_agree_at_ten_percent() -> None:
    """Where rows match, the driest columns are the same numbers."""
    handbook, table = (volts(source.drier) for source in charging_at(0.10))

    assert {name: table[name] for name in handbook.keys() & table.keys()} == {
        name: handbook[name] for name in handbook.keys() & table.keys()
    }


@pytest.mark.parametrize(("percent", "sides"), [(5, (None, 10)), (45, (10, 65)), (95, (65, None))])
def test_nothing_is_read_between_columns(percent: float, sides: tuple[float | None, float | None]) -> None:
    """Between columns both neighbours are told as printed; beyond the ends only the one there is."""
    handbook = charging_at(percent / 100.0)[0]
    got = tuple(None if column is None else column.low for column in (handbook.drier, handbook.damper))

    assert got == sides
    for column in (handbook.drier, handbook.damper):
        assert column is None or set(volts(column).values()) <= {
            float(v) for row in HANDBOOK.values() for v in row
        }
