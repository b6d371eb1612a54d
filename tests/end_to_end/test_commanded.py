"""Commands given on the command line to a real watcher: what they hide, what they never touch, what is refused."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from quietbench.daemon.cli.exits import Exit
from tests.support.brokers import wait_until
from tests.support.site import BUZZER_1, OPEN, STRAP_1, SimulatedSite, demo_config

pytestmark = pytest.mark.slow

STRAP = "bench-1/strap:closed"
GERMAN_WITH_LIVE_WORK = (
    demo_config()
    .replace('time_zone = "UTC"', 'time_zone = "UTC"\nlanguage = "de"')
    .replace('title = "Fine pitch"', 'title = "Fine pitch"\nstrap_off_above_v = 50')
)


def give(site: SimulatedSite, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Give a command as a person does."""
    who = ("--role", "technician", "--why", "test", "--socket", str(site.folder / "watcher.sock"))
    command = [sys.executable, "-P", "-m", "quietbench.daemon.cli", *arguments, *who]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def test_a_shelf_quiets_the_buzzer_and_nothing_else(folder: Path) -> None:
    """The bench is open and its relay dropped while the strap's alarm is hidden; unshelved it sounds."""
    with SimulatedSite(folder) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")
        site.wait_relay(energised=True)

        assert give(site, "shelve", STRAP, "--for", "20m").returncode == Exit.FINE
        site.control.line(STRAP_1, OPEN)
        site.wait_bench("bench-1", "open")
        site.wait_relay(energised=False)
        shown = site.bench("bench-1")
        assert (shown["rhythm"], shown["lamp"]) == ("silent", "red")
        [alarm] = [a for a in site.snapshot()["alarms"] if a["alarm"] == STRAP]
        assert alarm["state"] == "shelved"
        assert alarm["until"] is not None

        again = give(site, "shelve", STRAP, "--for", "20m")
        assert again.returncode == Exit.REFUSED
        assert "is hidden already: got shelved" in again.stderr

        assert give(site, "unshelve", STRAP).returncode == Exit.FINE
        site.wait_alarm(STRAP, "unacknowledged")
        site.wait_output(BUZZER_1, 1)


def test_live_work_is_declared_where_the_site_has_a_rule_for_it(folder: Path) -> None:
    """Said in the site's language, with the strap's alarm suppressed until it ends; refused elsewhere."""
    with SimulatedSite(folder, config=GERMAN_WITH_LIVE_WORK) as site:
        site.start_watcher()
        site.wait_bench("bench-1", "held")

        refused = give(site, "live", "bench-2", "--for", "1h")
        assert refused.returncode == Exit.REFUSED
        assert "strap_off_above_v" in refused.stderr

        declared = give(site, "live", "bench-1", "--for", "1h")
        assert declared.returncode == Exit.FINE
        assert "straps off above 50 V" in declared.stdout
        site.control.line(STRAP_1, OPEN)
        site.wait_bench("bench-1", "open")
        shown = site.bench("bench-1")
        assert shown["sentence"].startswith("Arbeit unter Spannung: ")
        assert (shown["live"], shown["rhythm"]) == (True, "silent")
        assert site.alarms()[STRAP] == "suppressed by design"

        assert give(site, "end-live", "bench-1").returncode == Exit.FINE
        wait_until(lambda: site.bench("bench-1")["rhythm"] == "high", "the strap's alarm is back")
        assert give(site, "end-live", "bench-1").returncode == Exit.REFUSED
