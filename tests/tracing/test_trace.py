"""From a store to suspects, sentences, the sheet and the schema."""

from __future__ import annotations

import importlib.resources
import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from quietbench.daemon.tracing import text, worksheet
from quietbench.daemon.tracing.analysis import trace
from quietbench.daemon.tracing.drawing import LIKELY, tree
from quietbench.daemon.tracing.errors import TracingError
from tests.tracing.records import HOUR_S, Record, benches, contact, mat, transients

MATS = ("bench-1/mat", "bench-2/mat")


def checked(found: Mapping[str, Any]) -> Mapping[str, Any]:
    """What the schema allows, and JSON that others can read."""
    schema = json.loads(
        importlib.resources.files("quietbench.config").joinpath("schemas/trace.json").read_text("utf-8")
    )
    jsonschema.Draft7Validator.check_schema(schema)
    jsonschema.validate(json.loads(json.dumps(found, allow_nan=False)), schema)
    return found


def opened(channels: tuple[str, ...], times_s: Any, length_s: float = 0.2) -> list[tuple[str, float, float]]:
    return [(channel, float(at), length_s) for at in times_s for channel in channels]


def together(count: int, hours: float, seed: int = 3) -> Any:
    return np.sort(np.random.default_rng(seed).uniform(60, hours * HOUR_S - 60, count))


def test_what_two_mats_show_together_is_at_the_stud_they_share(tmp_path: Path) -> None:
    """Named first, with the evidence in plain words, on the tree, and nothing else."""
    Record(60, openings=opened(MATS, together(12, 60))).write(tmp_path / "store")
    found = checked(trace([tmp_path / "store"]))
    first = found["suspects"][0]
    assert [part["stretch"] for part in first["parts"]] == ["site/stud"]
    assert first["chance_worst"] > 0.9
    assert first["low_per_hour"] < 12 / 60 < first["high_per_hour"]
    assert (
        "12 of 12 bursts took bench-1/mat and bench-2/mat together; they share site/stud."
        in first["evidence"]
    )
    assert "site/stud" in found["verdict"]
    assert any(LIKELY in line and "site/stud" in line for line in tree(found["stretches"]))
    assert len(found["events"]) == 12
    assert found["dropouts"]["seen"] == 24


def test_stretches_of_one_channel_are_said_to_be_one_set_and_the_best_measurement_is_named(
    tmp_path: Path,
) -> None:
    """A strap alone can't tell cord from skin; the cord is the likelier part."""
    Record(40, openings=opened(("bench-1/strap",), together(15, 40))).write(tmp_path / "store")
    found = checked(trace([tmp_path / "store"], bench="bench-1"))
    first = found["suspects"][0]
    assert {part["stretch"] for part in first["parts"]} == {"bench-1/cord", "bench-1/skin"}
    assert not first["told_apart"]
    assert "no channel tells these stretches apart" in found["verdict"]
    assert [step["do"] for step in found["next"]] == ["measure", "swap"]
    assert any("bench-1/common_point" in limit for limit in found["limits"])
    assert all(not channel["channel"].startswith("bench-2/strap") for channel in found["channels"])


def test_two_bursts_are_too_little_to_tell(tmp_path: Path) -> None:
    """No suspect is named, no trend is claimed."""
    Record(300, openings=opened(("bench-1/mat",), together(2, 300))).write(tmp_path / "store")
    found = checked(trace([tmp_path / "store"]))
    assert found["verdict"].startswith("Too little to tell")
    assert found["when"]["trend"] is None
    assert any("too few" in limit for limit in found["limits"])


def test_no_dropout_is_said_plainly(tmp_path: Path) -> None:
    """Nothing to trace."""
    Record(20).write(tmp_path / "store")
    found = checked(trace([tmp_path / "store"]))
    assert "No dropout in 20.0 observed hours" in found["verdict"]
    assert "Suspects" not in "\n".join(text.lines(found))


def test_a_repair_that_helped_is_shown_by_the_quiet_hours_after_it(tmp_path: Path) -> None:
    """15 bursts in 40 h before, none in 60 h after."""
    record = Record(100, openings=opened(MATS, together(15, 40)), repairs=[(40 * HOUR_S, "site/stud")])
    record.write(tmp_path / "store")
    repair = checked(trace([tmp_path / "store"], repair="site/stud"))["repairs"][0]
    assert (repair["before"], repair["after"], repair["shown"]) == (15, 0, True)
    assert repair["before_hours"] == pytest.approx(40, abs=0.1)
    assert "Shown" in repair["sentence"]
    assert "Repaired on" in trace([tmp_path / "store"])["verdict"]
    assert trace([tmp_path / "store"], repair="bench-1/cord")["repairs"] == []


def test_a_repair_that_is_too_young_tells_how_many_hours_are_left(tmp_path: Path) -> None:
    """9 bursts in 40 h: 78.8 h are needed, 30 have passed."""
    record = Record(70, openings=opened(MATS, together(9, 40)), repairs=[(40 * HOUR_S, "site/stud")])
    record.write(tmp_path / "store")
    repair = trace([tmp_path / "store"])["repairs"][0]
    assert repair["hours_left"] == pytest.approx(1.97 * 40 - 30, abs=1.0)
    assert "more hours in use" in repair["sentence"]


def test_drift_starts_anew_at_a_repair_and_tells_when_the_limit_is_met(tmp_path: Path) -> None:
    """A mat that rises by a tenth of a decade a day, cleaned on the tenth day."""
    channels = (mat("bench-1/mat", "bench-1/mat", "bench-1/mat_lead"),)
    random = np.random.default_rng(2)
    hours = np.arange(0, 20 * 24, 1.0)
    risen = np.where(hours < 240, hours, hours - 240) / 24 * 0.1
    values = 10 ** (7.0 + risen + random.normal(0, 0.01, len(hours)))
    record = Record(
        20 * 24,
        channels=channels,
        values=[("bench-1/mat", float(h * HOUR_S), float(v)) for h, v in zip(hours, values, strict=True)],
        repairs=[(240 * HOUR_S, "bench-1/mat")],
        benches=benches("bench-1"),
    )
    record.write(tmp_path / "store")
    drift = checked(trace([tmp_path / "store"]))["drift"][0]
    assert drift["since"] is not None
    assert drift["factor_per_day"] == pytest.approx(10**0.1, rel=0.02)
    assert drift["step_at"] is None
    assert drift["crosses_limit"][1] is not None
    assert "would meet its limit" in drift["sentence"]


def test_a_loose_sensor_is_named_as_an_explanation(tmp_path: Path) -> None:
    """Dropouts that end in a sensor fault."""
    times = together(8, 30)
    record = Record(
        30,
        openings=opened(("bench-1/mat",), times),
        faults=[("bench-1/mat", float(at) + 0.1) for at in times],
    )
    record.write(tmp_path / "store")
    assert any("loose sensor" in limit for limit in trace([tmp_path / "store"])["limits"])


def test_two_watchers_that_share_a_stud_are_put_on_one_clock(tmp_path: Path) -> None:
    """The second clock is 0.27 s ahead; the stud is found all the same."""
    times = together(14, 60)
    for number, ahead in ((1, 0.0), (2, 0.27)):
        name = f"bench-{number}"
        channels = (contact(f"{name}/mat", f"{name}/mat", f"{name}/mat_lead", "site/stud"),)
        record = Record(
            60, channels, opened((f"{name}/mat",), times), watcher=f"room-{number}", benches=benches(name)
        )
        record.write(tmp_path / name, ahead_s=ahead)
    found = checked(trace([tmp_path / "bench-1", tmp_path / "bench-2"]))
    clock = found["clocks"][0]
    assert clock["found"]
    assert clock["offset_s"] == pytest.approx(0.27, abs=0.01)
    assert clock["score"] > clock["score_by_chance"]
    assert found["suspects"][0]["parts"][0]["stretch"] == "site/stud"
    assert "room-2:bench-2/mat" in {channel["channel"] for channel in found["channels"]}


def test_transients_on_the_mains_put_clocks_right_where_no_opening_is_shared(tmp_path: Path) -> None:
    """The count rises on both at the same moments; the second clock is 0.4 s behind."""
    moments = together(20, 60, seed=9)
    for number, ahead in ((1, 0.0), (2, -0.4)):
        name = f"bench-{number}"
        channels = (contact(f"{name}/strap", f"{name}/cord"), transients(f"{name}/mains"))
        values = [(f"{name}/mains", float(at), float(count)) for count, at in enumerate([0.0, *moments])]
        record = Record(60, channels, values=values, watcher=f"room-{number}", benches=benches(name))
        record.write(tmp_path / name, ahead_s=ahead)
    clock = checked(trace([tmp_path / "bench-1", tmp_path / "bench-2"]))["clocks"][0]
    assert clock["found"]
    assert abs(clock["offset_s"] + 0.4) <= clock["u_s"]


def test_a_rate_that_grows_is_said_to_grow_since_when(tmp_path: Path) -> None:
    """Nothing for 80 hours, then two an hour."""
    times = 80 * HOUR_S + together(40, 20)
    Record(100, openings=opened(MATS, times)).write(tmp_path / "store")
    when = checked(trace([tmp_path / "store"]))["when"]
    assert when["change"]["chance"] > 0.95
    assert "more and more often" in when["trend_sentence"]
    assert when["change"]["earliest"] <= when["change"]["at"] <= when["change"]["latest"]
    assert when["power_law"]["growth"] < 0


def test_an_unknown_bench_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    """What, got, wanted."""
    Record(2).write(tmp_path / "store")
    with pytest.raises(TracingError, match="got bench 'bench-9', wanted one of bench-1, bench-2"):
        trace([tmp_path / "store"], bench="bench-9")


def test_the_text_fits_a_terminal_and_no_p_value_stands_alone(tmp_path: Path) -> None:
    """80 columns; probabilities come as cases, never as a letter."""
    Record(60, openings=opened(MATS, together(20, 60))).write(tmp_path / "store")
    found = trace([tmp_path / "store"])
    lines = list(text.lines(found))
    assert max(len(line) for line in lines) <= 80
    assert "p =" not in "\n".join(lines)
    for part in ("Suspects", "On the tree", "When", "What can't be concluded"):
        assert part in lines


def test_the_work_sheet_stands_by_itself_and_warns(tmp_path: Path) -> None:
    """No script, no address elsewhere, every caution, in both forms."""
    Record(60, openings=opened(("bench-1/strap",), together(20, 60))).write(tmp_path / "store")
    found = trace([tmp_path / "store"])
    page, plain = worksheet.html(found), worksheet.text(found)
    assert "<script" not in page
    assert "http" not in page
    for caution in worksheet.CAUTIONS:
        assert caution.split(",")[0].replace("'", "&#x27;") in page
    assert "licensed electrician" in " ".join(plain.split())
    assert "[ ] 1. bench-1/cord" in plain


def test_names_are_escaped_on_the_sheet(tmp_path: Path) -> None:
    """A stretch may be called anything."""
    channels = (contact("bench-1/strap", "bench-1/<b>"),)
    record = Record(30, channels, opened(("bench-1/strap",), together(20, 30)), benches=())
    record.write(tmp_path / "store")
    page = worksheet.html(trace([tmp_path / "store"]))
    assert "&lt;b&gt;" in page
    assert "<b>" not in page


def test_words_and_sheet_load_neither_numpy_nor_scipy() -> None:
    """The command line and the page use them in processes that stay small."""
    code = (
        "import sys; import quietbench.daemon.tracing.text, quietbench.daemon.tracing.worksheet,"
        " quietbench.daemon.cli.app, quietbench.daemon.cli.tracing, quietbench.daemon.tracing.__main__;"
        "sys.exit('numpy' in sys.modules or 'scipy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
