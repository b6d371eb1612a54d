"""The full scores, written to docs/proofs/air.md: ``make prove-air``, or ``python -m tests.air.prove``.

The seeds are held apart: nothing was set on them. The hash is of the code's meaning, so that a comment or a line
break does not make a table old.
"""

from __future__ import annotations

import ast
import datetime as dt
import hashlib
import platform
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

import numpy as np

from quietbench.daemon.air.agreement import Pairing, pairings
from quietbench.daemon.air.series import tidied

from .scoring import HORIZONS_H, SEASONS, Score, scored
from .seasons import Said, drifting, season

ROOT = Path(__file__).resolve().parents[2]
TABLE = ROOT / "docs" / "proofs" / "air.md"
HELD_APART = range(101, 107)
DAYS = 84
DRIFT_SEEDS, CALM_SEEDS = range(201, 241), range(301, 381)
SUN_SEEDS = range(401, 421)
DRIFT_DAYS = 61

_AIR = ("psychrometrics.py", "series.py", "local_time.py", "outside.py")
_COMMON = (
    *(f"daemon/air/{name}" for name in _AIR),
    "simulators/model/chance.py",
    "simulators/model/room.py",
    "simulators/model/season.py",
    "simulators/model/weather.py",
    "tests/air/seasons.py",
)
PARTS = {
    "forecast": (
        *_COMMON,
        "daemon/air/forecast/*.py",
        "tests/air/scoring.py",
        *(f"simulators/scenarios/{name}.toml" for name in SEASONS),
    ),
    "sensors": (
        *_COMMON,
        "daemon/air/agreement.py",
        "simulators/model/sensor.py",
        "simulators/scenarios/drifting-sensor.toml",
        "simulators/scenarios/sensor-in-the-sun.toml",
    ),
}
"""The parts of the table, and the files that each speaks of."""


def code_hash(part: str) -> str:
    """Return a hash of everything that a part of the table speaks of."""
    digest = hashlib.sha256()
    for pattern in PARTS[part]:
        for path in sorted(ROOT.glob(pattern)):
            content = path.read_bytes()
            digest.update(ast.dump(ast.parse(content)).encode() if path.suffix == ".py" else content)
    return digest.hexdigest()[:16]


def compared(said: tuple[Said, ...]) -> Pairing:
    """Return the comparison of two sensors."""
    series = [
        tidied(name, one.times_s, one.humidity, one.air_k, u_humidity=0.01, u_air_k=0.2)
        for name, one in zip(("room", "corner"), said, strict=True)
    ]
    return pairings(series)[0]


def season_scores() -> dict[tuple[bool, str], Score]:
    """Score every season with and without the outdoor dew point, and all together."""
    scores = {(outdoors, name): Score() for outdoors in (False, True) for name in (*SEASONS, "all")}
    for name in SEASONS:
        for seed in HELD_APART:
            said = season(name, seed, DAYS)
            for outdoors in (False, True):
                score = scored(name, seed, DAYS, outdoors=outdoors, said=said)
                scores[outdoors, name].add(score)
                scores[outdoors, "all"].add(score)
            print(name, seed, file=sys.stderr, flush=True)
    return scores


def forecasts() -> Iterator[str]:
    """Yield the lines of the forecast's tables."""
    scores = season_scores()
    yield "## Forecast of humidity\n"
    yield "Mean absolute error in %RH, averaged by day over four starts (0, 6, 12, 18 h); lower by: against the"
    yield "better of persistence and the same hour yesterday; held: share of the 80 % intervals that held."
    for outdoors in (False, True):
        yield f"\n### {'With the outdoor dew point' if outdoors else 'Humidity and temperature alone'}\n"
        yield "| season | horizon | days | error | persistence | yesterday | lower by | held |"
        yield "|---|---|---|---|---|---|---|---|"
        for name in (*SEASONS, "all"):
            yield from _error_rows(name, scores[outdoors, name])
    yield from _warning_lines(scores)


def _error_rows(name: str, score: Score) -> Iterator[str]:
    for horizon in HORIZONS_H:
        yield (
            f"| {name} | {horizon} h | {len(score.ours[horizon])} | {np.mean(score.ours[horizon]):.2f} "
            f"| {np.mean(score.persistence[horizon]):.2f} | {np.mean(score.yesterday[horizon]):.2f} "
            f"| {score.gain(horizon):.1%} | {score.coverage(horizon):.1%} |"
        )


def _warning_lines(scores: dict[tuple[bool, str], Score]) -> Iterator[str]:
    yield "\n## Warnings\n"
    yield "A warning is a chance of at least half that the band of 30 to 70 %RH is left within 24 h, from inside it."
    yield "Hits: of the times it was left, how many were warned of. False alarms: of the times it was not left, how"
    yield "many were warned of; and of the warnings, how many came to nothing.\n"
    yield "| season | outdoor dew point | left | hits | not left | false alarms | warnings in vain |"
    yield "|---|---|---|---|---|---|---|"
    for (outdoors, name), score in scores.items():
        left, stayed = score.warned_left + score.missed, score.warned_stayed + score.quiet
        warned = score.warned_left + score.warned_stayed
        yield (
            f"| {name} | {'yes' if outdoors else 'no'} | {left} | {score.warned_left / max(1, left):.0%} "
            f"| {stayed} | {score.warned_stayed / max(1, stayed):.1%} "
            f"| {score.warned_stayed / max(1, warned):.0%} |"
        )


def agreements() -> Iterator[str]:
    """Yield the lines of the sensors' table."""
    found = sum(
        _drifts(compared(drifting("drifting-sensor", seed, DRIFT_DAYS, 0.01))) for seed in DRIFT_SEEDS
    )
    calm = sum(_drifts(compared(drifting("drifting-sensor", seed, DRIFT_DAYS, 0.0))) for seed in CALM_SEEDS)
    print("drift", found, calm, file=sys.stderr, flush=True)
    sun = [compared(drifting("sensor-in-the-sun", seed, DRIFT_DAYS, 0.0)) for seed in SUN_SEEDS]
    blamed = sum(not pair.agree for pair in sun)
    yield "\n## Two sensors over two months\n"
    yield "| what | seeds | told |"
    yield "|---|---|---|"
    yield f"| drift of 1 %RH a month: found | {len(DRIFT_SEEDS)} | {found / len(DRIFT_SEEDS):.0%} |"
    yield f"| no drift: false alarms | {len(CALM_SEEDS)} | {calm / len(CALM_SEEDS):.1%} |"
    yield f"| a sensor in the sun: blamed for humidity | {len(SUN_SEEDS)} | {blamed / len(SUN_SEEDS):.0%} |"


def _drifts(pair: Pairing) -> bool:
    return pair.drift is not None and pair.drift.found


def part_of(text: str, part: str) -> str:
    """Return a part of the table as it stands in a text; empty when it is not there."""
    _, begin, rest = text.partition(f"<!-- {part} -->\n")
    return begin and rest.partition("<!-- end -->")[0]


def _made(part: str) -> str:
    before = code_hash(part)
    lines = [
        f"Made on {dt.datetime.now(dt.UTC).date()}; Python {platform.python_version()}, numpy {version('numpy')}.",
        f"Code: `{before}`\n",
        *(forecasts() if part == "forecast" else agreements()),
    ]
    assert code_hash(part) == before, "the code changed while it was scored"
    return "\n".join(lines) + "\n"


def main(wanted: list[str]) -> None:
    """Score the wanted parts, all if none is named, and write the table; the others stay as they are."""
    old = TABLE.read_text("utf-8") if TABLE.exists() else ""
    parts = {part: _made(part) if part in (wanted or PARTS) else part_of(old, part) for part in PARTS}
    head = [
        "# Scores of the air's analysis\n",
        "Written by `make prove-air`. Everything is simulated, as docs/air.md tells; the seeds are held apart from",
        f"the ones on which anything was set (1 to 61): {HELD_APART.start} to {HELD_APART.stop - 1} for the seasons,",
        f"{DRIFT_SEEDS.start} to {SUN_SEEDS.stop - 1} for the sensors.\n",
    ]
    body = [f"<!-- {part} -->\n{text}<!-- end -->\n" for part, text in parts.items()]
    TABLE.parent.mkdir(parents=True, exist_ok=True)
    TABLE.write_text("\n".join([*head, *body]), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
