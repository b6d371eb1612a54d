"""The whole analysis: its schema, its sentence, its faces."""

from __future__ import annotations

import importlib.resources
import json
import re
from typing import Any

import jsonschema
import numpy as np
import pytest

from quietbench.daemon.air.analysis import Surroundings, analysed
from quietbench.daemon.air.outside import Band
from quietbench.daemon.air.series import tidied
from quietbench.daemon.air.sheet import sheet
from quietbench.daemon.air.store_source import Room
from quietbench.daemon.air.text import lines

from .kit import made_up
from .test_agreement import moved

BAND = Band(low=0.30, high=0.70)


def schema() -> Any:
    file = importlib.resources.files("quietbench.config") / "schemas" / "air.json"
    return json.loads(file.read_text("utf-8"))


def told_of(*rooms: Room, around: Surroundings | None = None) -> dict[str, Any]:
    told = analysed("An invented site", rooms, around or Surroundings("Etc/GMT-9"))
    jsonschema.validate(json.loads(json.dumps(told, allow_nan=False)), schema())
    return told


def nothing() -> Room:
    none = np.empty(0)
    return Room("store-room", [tidied("a", none, none, none, u_humidity=0.01, u_air_k=0.2)], BAND)


def test_every_kind_of_room_fits_the_schema() -> None:
    """With three sensors, without any reading, without limits, with a short history, with outdoors and a volume."""
    room = made_up(20.0)
    outdoors = (room.times_s, np.full(len(room), 275.0))
    around = Surroundings("UTC", 500.0, outdoors, 200.0, 1.5, 0.45)
    told = told_of(
        Room("room-2", [room, moved(room, "b", offset=0.1), moved(room, "c", warmer_k=1.0)], BAND),
        nothing(),
        Room("hall", [made_up(1.0)]),
        around=around,
    )
    first, second, third = told["rooms"]

    assert first["agreement"]["suspect"] == "b"
    assert first["told_by"] == "room-2"
    assert first["humidify"]["kg_per_h"] > 0.0
    assert first["forecast"]["with_outdoors"]
    assert second["now"] is None
    assert third["outside"] is None
    assert third["forecast"]["method"] == "persistence"


def test_the_sentence_tells_when_it_leaves() -> None:
    """A room that falls below 30 %RH every night: with its chance and its hours, on the site's clock."""
    sentence = told_of(Room("room-2", [made_up(21.0, level=0.33, swing=0.06)], BAND))["rooms"][0]["sentence"]

    assert re.search(
        r"39\.\d ± \d\.\d %RH now, within limits\. 100%: leaves below 30 %RH within 24 h; if so between \w{3} 1\d:",
        sentence,
    )


def test_a_short_history_is_said() -> None:
    """Nothing is claimed from two days."""
    sentence = told_of(Room("room-2", [made_up(2.0)], BAND))["rooms"][0]["sentence"]

    assert "2.0 days of history are less than three" in sentence


def test_disagreement_names_nobody() -> None:
    """Until a third witness."""
    room = made_up(10.0)
    sentence = told_of(Room("room-2", [room, moved(room, "b", offset=0.1)], BAND))["rooms"][0]["sentence"]

    assert sentence.endswith("Sensors disagree; which one is off needs a third witness.")


@pytest.mark.parametrize("weekly", [False, True])
def test_the_text_fits_a_terminal(weekly: bool) -> None:
    """Every line but a chart's stays within 90 columns; what must be said is there."""
    text = list(lines(told_of(Room("room-2", [made_up(20.0)], BAND), nothing()), weekly=weekly))

    assert max(map(len, text)) <= 110
    assert any("Handbook values" in line for line in text)
    assert any(line.lstrip().startswith("45 |") or "•" in line for line in text)
    assert any("Nothing is known about the air in store-room" in line for line in text)


def test_the_sheet_stands_by_itself() -> None:
    """No script, nothing fetched, every room on it; names can't break out of it."""
    room = made_up(20.0, name="<script>alert(1)</script>")
    html = sheet(told_of(Room("<b>room</b>", [room, moved(room, "<i>", offset=0.1)], BAND), nothing()))

    assert "<script" not in html
    assert "<b>room" not in html
    assert not re.search(r"(src|href|url|@import)\s*[=(]", html)
    assert html.count("<section>") == 3
    assert "E<sub>n</sub>" in html
