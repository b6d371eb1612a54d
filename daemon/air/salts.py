"""Checking a humidity sensor over saturated salt solutions: the point, its uncertainty, the correction.

No arrays here: the command line uses it as it is. Humidity 0 … 1, temperatures in K, standard uncertainties.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from quietbench.daemon.air.tables import Salt, salt_table

__all__ = ["Correction", "Point", "Settling", "corrected", "correction", "point_at", "salt_named"]

ZERO_C_K = 273.15
MOST_APART_K = 0.2
"""Sensor and salt should be within this; the default uncertainty of their difference is that of such a rectangle."""


@dataclass(frozen=True, slots=True)
class Point:
    """One reading over one salt: ``said`` by the sensor where ``true`` holds, with standard uncertainties."""

    salt: str
    true: float
    u_true: float
    said: float
    u_said: float

    @property
    def difference(self) -> float:
        """Get what has to be added to the reading."""
        return self.true - self.said

    @property
    def u_difference(self) -> float:
        """Get the standard uncertainty of that."""
        return math.hypot(self.u_true, self.u_said)


@dataclass(frozen=True, slots=True)
class Correction:
    """corrected = said + offset + gain (said - pivot), with the covariance of offset and gain.

    One point gives an offset alone (``gain`` 0, ``u_gain`` 0): it says nothing about other humidities.
    """

    offset: float
    gain: float
    pivot: float
    u_offset: float
    u_gain: float
    covariance: float
    points: tuple[Point, ...]

    def at(self, said: float) -> tuple[float, float]:
        """Return (what to add, its standard uncertainty) at a reading."""
        away = said - self.pivot
        variance = self.u_offset**2 + (away * self.u_gain) ** 2 + 2.0 * away * self.covariance
        return self.offset + self.gain * away, math.sqrt(max(0.0, variance))


def salt_named(name: str) -> Salt:
    """Return a salt of the table.

    Raises:
        ValueError: none of that name; the text lists them.
    """
    salts = {known.lower(): salt for known, salt in salt_table().salts.items()}
    if name.lower() not in salts:
        raise ValueError(f"salt: got {name!r}, wanted one of {', '.join(salt_table().salts)}")
    return salts[name.lower()]


def point_at(
    salt: Salt, air_k: float, u_apart_k: float = MOST_APART_K / math.sqrt(3.0)
) -> tuple[float, float]:
    """Return (humidity over a salt 0 … 1, standard uncertainty) at a temperature.

    Straight lines between the table's temperatures. ``u_apart_k`` is the standard uncertainty of sensor against
    salt temperature: 1 K is about 6 % of the reading.

    Raises:
        ValueError: outside the table's temperatures.
    """
    celsius = air_k - ZERO_C_K
    points = salt.points
    if not points[0][0] <= celsius <= points[-1][0]:
        raise ValueError(
            f"temperature: got {celsius:.1f} °C, wanted {points[0][0]:g} … {points[-1][0]:g} °C for {salt.name}"
        )
    upper = max(1, bisect_left([point[0] for point in points], celsius))
    (t_a, rh_a, u_a), (t_b, rh_b, u_b) = points[upper - 1], points[upper]
    share = (celsius - t_a) / (t_b - t_a)
    humidity = (rh_a + share * (rh_b - rh_a)) / 100.0
    published = (u_a + share * (u_b - u_a)) / 100.0 / salt_table().coverage_factor
    slope = 17.62 * 243.12 / (243.12 + celsius) ** 2  # d(ln e_s)/dT, WMO-No. 8, Annex 4.B
    return humidity, math.hypot(published, humidity * slope * u_apart_k)


def correction(points: Sequence[Point]) -> Correction:
    """Return the correction that points ask for: an offset from one, a line through two, a weighted fit to more.

    Raises:
        ValueError: no points, or several at one reading only.
    """
    if not points:
        raise ValueError("salt points: got none, wanted at least one")
    weights = [1.0 / point.u_difference**2 for point in points]
    total = sum(weights)
    pivot = sum(w * point.said for w, point in zip(weights, points, strict=True)) / total
    offset = sum(w * point.difference for w, point in zip(weights, points, strict=True)) / total
    if len({point.salt for point in points}) == 1:
        return Correction(offset, 0.0, pivot, math.sqrt(1.0 / total), 0.0, 0.0, tuple(points))
    spread = sum(w * (point.said - pivot) ** 2 for w, point in zip(weights, points, strict=True))
    if spread <= 0.0:
        raise ValueError(
            "salt points: got the same reading over different salts, wanted readings that differ"
        )
    gain = (
        sum(w * (point.said - pivot) * point.difference for w, point in zip(weights, points, strict=True))
        / spread
    )
    # About the weighted mean, offset and gain of a straight line are uncorrelated.
    return Correction(
        offset, gain, pivot, math.sqrt(1.0 / total), math.sqrt(1.0 / spread), 0.0, tuple(points)
    )


def corrected(said: float, change: Correction) -> tuple[float, float]:
    """Return (corrected reading, standard uncertainty of the correction)."""
    offset, u = change.at(said)
    return said + offset, u


class Settling:
    """Says when readings have settled: over the last ``window_s`` neither humidity nor temperature creeps.

    Fed with (seconds, humidity, temperature K); the creep is the difference of the means of the window's halves.
    """

    def __init__(self, window_s: float = 900.0, creep: float = 0.002, creep_k: float = 0.1) -> None:
        self.window_s, self.creep, self.creep_k = window_s, creep, creep_k
        self._seen: list[tuple[float, float, float]] = []

    def feed(self, at_s: float, humidity: float, air_k: float) -> bool:
        """Take a reading; return whether it has settled."""
        self._seen.append((at_s, humidity, air_k))
        while self._seen[1:] and self._seen[1][0] <= at_s - self.window_s:
            del self._seen[0]
        return self.settled()

    def settled(self) -> bool:
        """Say whether the window is full and still."""
        if len(self._seen) < 4 or self._seen[-1][0] - self._seen[0][0] < self.window_s:
            return False
        moved = self.moved()
        return abs(moved[0]) < self.creep and abs(moved[1]) < self.creep_k

    def moved(self) -> tuple[float, float]:
        """Return by how much (humidity, temperature) moved from one half of the window to the other."""
        if len(self._seen) < 2:
            return math.inf, math.inf
        middle = (self._seen[0][0] + self._seen[-1][0]) / 2.0
        early = [one for one in self._seen if one[0] <= middle]
        late = [one for one in self._seen if one[0] > middle]
        return _mean(late, 1) - _mean(early, 1), _mean(late, 2) - _mean(early, 2)

    def mean(self) -> tuple[float, float, float]:
        """Return (humidity, temperature, standard deviation of the humidity) over the window's later half."""
        middle = (self._seen[0][0] + self._seen[-1][0]) / 2.0
        late = [one for one in self._seen if one[0] > middle] or self._seen
        humidity = _mean(late, 1)
        spread = math.sqrt(sum((one[1] - humidity) ** 2 for one in late) / max(1, len(late) - 1))
        return humidity, _mean(late, 2), spread


def _mean(rows: Sequence[tuple[float, float, float]], column: int) -> float:
    return sum(row[column] for row in rows) / len(rows)
