"""A contact on a line: level is truth, edges are hints."""

from __future__ import annotations

import gc
import time
from collections.abc import Iterator
from typing import Any

import gpiozero
import pytest
from pydantic import ValidationError

from quietbench.drivers.contact import ContactDriver, ContactOptions
from quietbench.drivers.errors import SetupError, WireError
from quietbench.drivers.samples import Sample
from tests.drivers.rigs import BusyError, ContactRig


@pytest.fixture
def rig() -> Iterator[ContactRig]:
    made = ContactRig()
    yield made
    made.close()


def opened(rig: ContactRig, **changes: Any) -> ContactDriver:
    driver = rig.driver(**changes)
    driver.open()
    return driver


def raw(driver: ContactDriver) -> int | float | None:
    return driver.read()[0].raw


@pytest.mark.parametrize(("closed", "low_means", "high_means"), [("low", 1, 0), ("high", 0, 1)])
def test_raw_is_one_when_closed(rig: ContactRig, closed: str, low_means: int, high_means: int) -> None:
    """Whatever level means closed."""
    driver = opened(rig, closed=closed)
    rig.pin.drive_low()
    assert raw(driver) == low_means
    rig.pin.drive_high()
    assert raw(driver) == high_means


@pytest.mark.parametrize(("pull", "told"), [("up", "up"), ("down", "down"), ("none", "floating")])
def test_the_line_is_an_input_with_its_pull(rig: ContactRig, pull: str, told: str) -> None:
    """And without the backend's debounce, which differs from backend to backend."""
    opened(rig, pull=pull)
    assert (rig.pin.function, rig.pin.pull, rig.pin.bounce) == ("input", told, None)


def test_an_edge_carries_its_own_time(rig: ContactRig, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's seconds become nanoseconds; the time of handling does not matter."""
    driver = opened(rig)
    got: list[Sample] = []
    driver.listen(got.append)
    edge_ns = time.monotonic_ns() - 5_000_000
    driver._changed(edge_ns / 1e9, 0)
    assert got == [Sample("value", got[0].monotonic_ns, 1)]
    assert abs(got[0].monotonic_ns - edge_ns) < 10


@pytest.mark.parametrize("ticks", [time.time(), -1.0, 0.0])
def test_an_edge_stamped_by_another_clock_gets_the_time_of_handling(rig: ContactRig, ticks: float) -> None:
    """Kernels before 5.7 stamp with the wall clock."""
    driver = opened(rig)
    got: list[Sample] = []
    driver.listen(got.append)
    before = time.monotonic_ns()
    driver._changed(ticks if ticks > 1e9 else time.monotonic() - 3600, 0)
    assert before <= got[0].monotonic_ns <= time.monotonic_ns()


def test_edges_that_a_poll_has_overtaken_come_right_behind_it(rig: ContactRig) -> None:
    """Stamped before the poll they would count for nothing, and a short opening would be lost."""
    driver = opened(rig)
    got: list[Sample] = []
    driver.listen(got.append)
    opened_ns = time.monotonic_ns()
    polled = driver.read()[0]
    driver._changed((opened_ns - 2000) / 1e9, 1)
    driver._changed((opened_ns - 1000) / 1e9, 0)

    assert [sample.raw for sample in got] == [0, 1]
    assert [sample.monotonic_ns for sample in got] == [polled.monotonic_ns + 1] * 2


def test_both_edges_are_reported(rig: ContactRig) -> None:
    """Closing and opening, in order, through the pin's own callback."""
    driver = opened(rig)
    got: list[Sample] = []
    driver.listen(got.append)
    rig.pin.drive_low()
    rig.pin.drive_high()
    assert [sample.raw for sample in got] == [1, 0]


def test_what_was_so_before_is_told_by_the_first_read(rig: ContactRig) -> None:
    """No event fires for a line that is already active."""
    driver = opened(rig)
    rig.pin.drive_low()
    got: list[Sample] = []
    driver.listen(got.append)
    assert got == []
    assert raw(driver) == 1
    assert driver.mismatches == 0


def test_a_failing_receiver_does_not_reach_the_backend(rig: ContactRig) -> None:
    """An exception there would end the one thread that serves all lines; it is counted, the level is polled."""
    driver = opened(rig)

    def fail(_: Sample) -> None:
        raise RuntimeError("queue gone")

    driver.listen(fail)
    rig.pin.drive_low()
    assert driver.lost_edges == 1
    assert raw(driver) == 1


def test_a_lost_edge_is_found_by_polling_and_counted_once(rig: ContactRig) -> None:
    """The level changed and no edge told: a mismatch at the second poll, then level and edges agree again."""
    driver = opened(rig)
    driver.listen(lambda _: None)
    assert raw(driver) == 0
    rig.pin._state = False  # no edge
    assert raw(driver) == 1
    assert driver.mismatches == 0
    assert raw(driver) == 1
    assert raw(driver) == 1
    assert driver.mismatches == 1


def test_an_edge_that_is_on_its_way_is_no_mismatch(rig: ContactRig) -> None:
    """The level is polled before the dispatch thread has told."""
    driver = opened(rig)
    driver.listen(lambda _: None)
    assert raw(driver) == 0
    rig.pin._state = False
    assert raw(driver) == 1
    driver._changed(time.monotonic(), 0)
    assert raw(driver) == 1
    assert raw(driver) == 1
    assert driver.mismatches == 0


def test_the_level_counts_even_when_edges_say_otherwise(rig: ContactRig) -> None:
    """Edges are hints."""
    driver = opened(rig)
    driver.listen(lambda _: None)
    driver._changed(time.monotonic(), 0)
    assert raw(driver) == 0


def test_the_handler_lives_as_long_as_the_driver(rig: ContactRig) -> None:
    """The library keeps handlers by weak reference."""
    driver = opened(rig)
    got: list[Sample] = []
    driver.listen(got.append)
    gc.collect()
    rig.pin.drive_low()
    assert len(got) == 1


def test_a_closed_driver_reports_nothing(rig: ContactRig) -> None:
    """The handler goes with the line."""
    driver = opened(rig)
    got: list[Sample] = []
    driver.listen(got.append)
    driver.close()
    rig.pin.drive_low()
    assert got == []


def test_reading_what_is_not_open_is_a_wire_error(rig: ContactRig) -> None:
    """Also listening."""
    driver = rig.driver()
    with pytest.raises(WireError, match="GPIO line 22 is not open"):
        driver.read()
    with pytest.raises(WireError, match="GPIO line 22 is not open"):
        driver.listen(lambda _: None)


def test_a_line_in_use_is_a_setup_error_and_free_again_after_close(rig: ContactRig) -> None:
    """Two devices on one line; the second leaves the first alone."""
    first = opened(rig)
    with pytest.raises(SetupError, match=r"GPIO line 22 .* a line serves one device"):
        rig.driver().open()
    assert raw(first) == 0
    first.close()
    opened(rig)


def test_a_busy_line_says_which_and_can_be_had_later(
    rig: ContactRig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program holds it; nothing of the failed attempt stays reserved."""
    real = rig.factory.pin

    def busy(name: Any, **kwargs: Any) -> Any:
        raise BusyError("GPIO busy")

    driver = rig.driver()
    monkeypatch.setattr(rig.factory, "pin", busy)
    with pytest.raises(WireError, match=r"GPIO line 22 .*held by another program.*GPIO busy") as caught:
        driver.open()
    monkeypatch.setattr(rig.factory, "pin", real)
    driver.open()
    assert raw(driver) == 0
    assert caught.value.retryable


def test_a_fixed_pull_is_a_setup_error(rig: ContactRig) -> None:
    """Lines 2 and 3 have resistors on the board."""
    with pytest.raises(SetupError, match="GPIO line 2 "):
        opened(rig, line=2, pull="down")


def test_the_library_s_shutdown_closes_what_is_open(rig: ContactRig) -> None:
    """At exit the library closes every holder of a reservation."""
    driver = opened(rig)
    gpiozero.devices._devices_shutdown()
    with pytest.raises(WireError, match="not open"):
        driver.read()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"line": 28}, "less than or equal to 27"),
        ({"closed": "shut"}, "'low' or 'high'"),
        ({"pull": "floating"}, "'up', 'down' or 'none'"),
        ({"bounce": 0.1}, "Extra inputs"),
    ],
)
def test_mistakes_in_the_options_are_told(change: dict[str, object], told: str) -> None:
    """Each mistake is one message."""
    with pytest.raises(ValidationError, match=told):
        ContactOptions.model_validate({"line": 22, "closed": "low", "pull": "up", **change})
