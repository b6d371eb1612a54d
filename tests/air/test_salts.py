"""Salt points: uncertainty, settling, corrections from one point and from several."""

from __future__ import annotations

import numpy as np
import pytest

from quietbench.daemon.air.salts import Point, Settling, corrected, correction, point_at, salt_named


def point(salt: str, true: float, said: float, u: float = 0.002) -> Point:
    return Point(salt, true, u, said, 0.0005)


def test_a_kelvin_apart_is_six_percent_of_the_reading() -> None:
    """Sensor against salt: the rest within 0.2 K enters the uncertainty."""
    humidity, u_alone = point_at(salt_named("nacl"), 293.15, 0.0)
    _, u_apart = point_at(salt_named("NaCl"), 293.15, 1.0)

    assert np.sqrt(u_apart**2 - u_alone**2) / humidity == pytest.approx(0.062, abs=0.001)


def test_outside_the_table_is_refused() -> None:
    """And a salt that is not in it."""
    with pytest.raises(ValueError, match=r"wanted 0 … 40 °C"):
        point_at(salt_named("MgCl2"), 320.0)
    with pytest.raises(ValueError, match="wanted one of LiCl"):
        salt_named("sugar")


def test_one_point_gives_an_offset_and_nothing_more() -> None:
    """The same everywhere, with the point's uncertainty."""
    change = correction([point("NaCl", 0.7547, 0.7747)])

    assert change.gain == 0.0
    assert change.at(0.3) == change.at(0.7)
    assert corrected(0.5, change)[0] == pytest.approx(0.48)


def test_two_points_give_a_line_through_both() -> None:
    """At either point its own difference; uncertainty least between them and growing outside."""
    change = correction([point("MgCl2", 0.3307, 0.3407), point("NaCl", 0.7547, 0.7347)])

    assert change.at(0.3407)[0] == pytest.approx(-0.01)
    assert change.at(0.7347)[0] == pytest.approx(0.02)
    assert change.at(0.54)[1] < change.at(0.34)[1] < change.at(0.1)[1]


def test_the_fit_to_many_points_has_the_spread_that_drawing_has() -> None:
    """Corrections from points with drawn errors spread as the fit says."""
    chance = np.random.default_rng(3)
    truths = {"LiCl": 0.113, "MgCl2": 0.331, "MgNO3": 0.544, "NaCl": 0.755}
    drawn = [
        correction(
            [point(name, true, 1.03 * true + chance.normal(0.0, 0.002)) for name, true in truths.items()]
        ).at(0.5)[0]
        for _ in range(2000)
    ]
    told = correction([point(name, true, 1.03 * true) for name, true in truths.items()])

    assert float(np.mean(drawn)) == pytest.approx(told.at(0.5)[0], abs=2e-4)
    assert float(np.std(drawn)) == pytest.approx(told.at(0.5)[1], rel=0.12)


def test_no_points_no_correction() -> None:
    """And none from two salts over which the sensor says the same."""
    with pytest.raises(ValueError, match="at least one"):
        correction([])
    with pytest.raises(ValueError, match="readings that differ"):
        correction([point("MgCl2", 0.33, 0.5), point("NaCl", 0.75, 0.5)])


def test_settling_waits_for_a_full_still_window() -> None:
    """A first-order approach of five minutes is still creeping after ten and settled within the hour."""
    settling = Settling(window_s=900.0)
    when = None
    for at in np.arange(0.0, 7200.0, 30.0):
        if settling.feed(at, 0.75 - 0.35 * np.exp(-at / 300.0), 294.0):
            when = at
            break

    assert when is not None
    assert 1500.0 < when < 3600.0
    assert settling.mean()[0] == pytest.approx(0.75, abs=0.001)


def test_a_warming_vessel_is_not_settled() -> None:
    """The humidity may stand while the temperature moves: then the point is not the table's."""
    settling = Settling(window_s=900.0)

    assert not any(settling.feed(at, 0.75, 294.0 + at / 3000.0) for at in np.arange(0.0, 7200.0, 30.0))
