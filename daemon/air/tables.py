"""The published tables that come as data: salt points and charging voltages, with their sources."""

from __future__ import annotations

import importlib.resources
import tomllib
from dataclasses import dataclass
from functools import cache
from typing import Any

__all__ = ["ChargingColumn", "Neighbours", "Salt", "SaltTable", "charging_at", "salt_table"]


@dataclass(frozen=True, slots=True)
class Salt:
    """A saturated salt solution; ``points`` are (°C, %RH, published uncertainty in %RH), rising."""

    name: str
    title: str
    points: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class SaltTable:
    """All salts with what is known of the table."""

    salts: dict[str, Salt]
    source: str
    trust: str
    coverage_factor: float
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ChargingColumn:
    """One printed humidity column: %RH from ``low`` to ``high``, and (activity, volts, trust)."""

    low: float
    high: float
    rows: tuple[tuple[str, float, str], ...]


@dataclass(frozen=True, slots=True)
class Neighbours:
    """One source's printed columns on either side of a humidity; the same one twice when it lies within it."""

    source: str
    remark: str
    drier: ChargingColumn | None
    damper: ChargingColumn | None


@cache
def salt_table() -> SaltTable:
    """Return the table of salt points."""
    data = _data("salts.toml")
    salts = {
        one["name"]: Salt(
            one["name"], one["title"], tuple((float(t), float(rh), float(u)) for t, rh, u in one["points"])
        )
        for one in data["salts"]
    }
    source = f"{data['document']}, {data['edition']}, {data['clause']}"
    return SaltTable(salts, source, data["trust"], data["coverage_factor"], tuple(data["cautions"]))


def charging_at(humidity: float) -> list[Neighbours]:
    """Return, source by source, the printed columns beside ``humidity`` (0 … 1): nothing is read between them."""
    percent = round(humidity * 100.0, 9)  # 55 %RH is 55, not a hair above
    found = []
    for source in _data("charging.toml")["sources"]:
        columns = _columns(source)
        drier = [column for column in columns if column.low <= percent]
        damper = [column for column in columns if column.high >= percent]
        name = f"{source['document']}, {source['edition']}, {source['clause']}"
        found.append(
            Neighbours(name, source["remark"], drier[-1] if drier else None, damper[0] if damper else None)
        )
    return found


def charging_remark() -> str:
    """Return what stands beside every charging voltage."""
    return str(_data("charging.toml")["remark"])


def _columns(source: dict[str, Any]) -> list[ChargingColumn]:
    return [
        ChargingColumn(
            float(column["low"]),
            float(column["high"]),
            tuple((row["activity"], float(row["volts"][number]), row["trust"]) for row in source["rows"]),
        )
        for number, column in enumerate(source["columns"])
    ]


@cache
def _data(file: str) -> dict[str, Any]:
    folder = importlib.resources.files("quietbench.config") / "air"
    return tomllib.loads((folder / file).read_text("utf-8"))
