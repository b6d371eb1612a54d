"""The check before work at a simulated bench: by the command line, by the button, and broken off."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.brokers import wait_until
from tests.support.site import BUZZER_1, CLOSED, GREEN_1, OPEN, RED_1, STRAP_1, SimulatedSite, demo_config

pytestmark = pytest.mark.slow

REFERENCE_LINE, BUTTON_LINE = 15, 6
MORE = f"""
[devices.ready-1]
driver = "contact"
bus = "lines"
line = {BUTTON_LINE}
closed = "low"
pull = "up"
every_s = 0.1

[benches.bench-1.channels.ready]
quantity = "button"
source = "ready-1"
"""


def config(*, reference: bool = False) -> str:
    """The demo's bench with a button for its check, and a resistor of what the simulated mat has."""
    keys = 'presence_hold_s = 10\nready_every_h = 10\nready_button = "ready"\n'
    if reference:
        keys += f'references = [{{ line = {REFERENCE_LINE}, channel = "mat", ohm = 2.2e7 }}]\n'
    return demo_config().replace("presence_hold_s = 10\n", keys, 1)


@pytest.fixture
def site(folder: Path, request: pytest.FixtureRequest) -> Iterator[SimulatedSite]:
    """Bench 1 held, not checked yet."""
    reference = bool(getattr(request, "param", False))
    with SimulatedSite(folder, config=config(reference=reference), more=MORE) as site:
        site.control.line(BUTTON_LINE, 1)
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        assert site.bench("bench-1")["ready"] == "missing"
        yield site


class Checking:
    """``quietbench ready`` with its answers given, as a script does it."""

    def __init__(self, site: SimulatedSite, *more: str, heard: str = "yes") -> None:
        arguments = ["ready", "bench-1", "--role", "operator", "--heard", heard, "--seen", "yes", *more]
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-m", "quietbench.daemon.cli", *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "QUIETBENCH_SOCKET": str(site.folder / "watcher.sock")},
        )
        self.said = ""

    def until(self, text: str) -> None:
        assert self.process.stdout is not None
        while text not in self.said:
            line = self.process.stdout.readline()
            assert line, f"it ended: {self.said}"
            self.said += line

    def code(self) -> int:
        assert self.process.stdout is not None
        self.said += self.process.stdout.read()
        self.process.stdout.close()
        return self.process.wait(30)


def lift(site: SimulatedSite) -> None:
    """Lift the strap, hear the buzzer, connect again."""
    site.control.line(STRAP_1, OPEN)
    site.wait_output(BUZZER_1, 1, within_s=2.0)
    site.wait_output(RED_1, 1, within_s=2.0)
    site.wait_bench("bench-1", "open", within_s=2.0)
    site.control.line(STRAP_1, CLOSED)


def results(site: SimulatedSite) -> list[dict[str, Any]]:
    """Return the recorded checks, once they are on disk."""
    return [dict(e.body) for e in site.events() if e.kind.value == "command" and e.body["do"] == "ready"]


@pytest.mark.parametrize("site", [True], indirect=True)
def test_a_check_by_the_command_line_passes_and_the_bench_is_ready(site: SimulatedSite) -> None:
    """Lamp and buzzer really driven, the strap really lifted, the resistor's line really switched, all recorded."""
    checking = Checking(site)
    checking.until("lift the strap")
    lift(site)
    checking.until("stands in for the path")
    site.wait_output(REFERENCE_LINE, 1)
    site.wait_bench("bench-1", "unknown", within_s=3.0)
    assert site.control.outputs().outputs[BUZZER_1].level == 0
    code = checking.code()

    assert code == 0, checking.said
    assert site.bench("bench-1")["ready"] == "passed"
    site.wait_bench("bench-1", "held", within_s=3.0)
    assert site.control.outputs().outputs[REFERENCE_LINE].level == 0
    assert site.alarms() == {}, "the alarm of the lift is acknowledged by who lifted"
    wait_until(lambda: results(site), "the record")
    [record] = results(site)
    steps = {step["step"]: step for step in record["detail"]["steps"]}
    assert {step["result"] for step in steps.values()} <= {"passed", "noted"}
    assert steps["buzzer"]["result"] == "passed"
    assert steps["reference bench-1/mat 2.2e+07 ohm"]["value"] == pytest.approx(2.2e7, rel=0.02)
    assert steps["room-2/humidity"]["u"] == pytest.approx(0.01, rel=0.01)
    tested = [r for r in site.readings() if r.channel == "bench-1/mat" and r.reason is not None]
    assert {r.reason.name for r in tested if r.reason} >= {"SELF_TEST"}


def test_a_buzzer_that_was_not_heard_fails_the_check(site: SimulatedSite) -> None:
    """Exit code 1, and the bench shows it until it is done anew."""
    checking = Checking(site, heard="no")
    checking.until("lift the strap")
    lift(site)

    assert checking.code() == 1
    assert "buzzer: failed, not heard" in checking.said
    shown = site.bench("bench-1")
    assert (shown["ready"], shown["lamp"]) == ("failed", "yellow")


def test_a_person_who_breaks_it_off_leaves_a_failed_check(site: SimulatedSite) -> None:
    """The process is gone in the middle: not finished."""
    checking = Checking(site)
    checking.until("lift the strap")
    checking.process.kill()
    checking.code()

    wait_until(lambda: site.bench("bench-1")["ready"] == "failed", "the failed check")
    wait_until(lambda: results(site), "the record")
    assert results(site)[0]["detail"]["steps"][-1]["why"] == "not finished"


def test_a_real_opening_ends_the_check_and_sounds(site: SimulatedSite) -> None:
    """The mat lead falls off while the strap is waited for."""
    checking = Checking(site)
    checking.until("lift the strap")
    site.control.force("bench-1/mat_lead", "open")

    assert checking.code() == 1
    assert "a real alarm came: bench-1/mat:" in checking.said
    site.wait_output(BUZZER_1, 1, within_s=2.0)


def test_the_button_at_the_bench_does_it_all(site: SimulatedSite) -> None:
    """Press, see three colours, hear the buzzer, press, lift, connect: ready."""

    def press() -> None:
        site.control.line(BUTTON_LINE, 0)
        wait_until(lambda: _button(site) == 1, "the button is down")
        site.control.line(BUTTON_LINE, 1)
        wait_until(lambda: _button(site) == 0, "the button is up")

    press()
    site.wait_output(RED_1, 1)
    site.wait_output(GREEN_1, 0)
    wait_until(
        lambda: site.control.outputs().outputs[BUZZER_1].changes > 10, "the buzzer sounds", within_s=10
    )
    press()
    wait_until(lambda: _pips(site), "one short pip", within_s=10)
    lift(site)

    wait_until(lambda: site.bench("bench-1")["ready"] == "passed", "ready", within_s=10)
    wait_until(lambda: results(site), "the record")
    assert results(site)[0]["detail"]["by"] == "button"
    assert site.alarms() == {"bench-1/strap:closed": "returned unacknowledged"}


def _button(site: SimulatedSite) -> float:
    readings = site.snapshot()["readings"]
    return float(next(r["value"] for r in readings if r["channel"] == "bench-1/ready"))


def _pips(site: SimulatedSite) -> bool:
    """Say whether the test of the signals is over and the strap is waited for: green again, and quiet."""
    outputs = site.control.outputs()
    quiet_ns = outputs.monotonic_ns - outputs.outputs[BUZZER_1].changed_ns
    return quiet_ns > 1_000_000_000 and outputs.outputs[BUZZER_1].level == 0
