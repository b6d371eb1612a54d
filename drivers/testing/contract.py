"""The contract suites; plain asserts and no import of a test library, so that any runner can use them."""

from __future__ import annotations

import math
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal, Protocol

from pydantic import ValidationError

from quietbench.drivers.discovery import shortcomings
from quietbench.drivers.errors import AnswerError, DriverError, WireError
from quietbench.drivers.samples import Reason, Sample

__all__ = ["Behaviour", "DriverContract", "LineContract", "LineRig", "Rig"]

Behaviour = Literal["well", "silent", "garbage", "half", "trickle", "babble", "late"]
"""How a device on a line answers: "trickle" is a whole answer one byte at a time, well within the deadline;
"late" is a whole answer after the deadline and before twice of it."""


class Rig(Protocol):
    """What stands in for a device, plugged in when it is made."""

    def driver(self) -> Any:
        """Return a new driver, not yet opened; all of one rig share its bus."""

    def unplug(self) -> None:
        """Take the device (its adapter, its chip) away."""

    def replug(self) -> None:
        """Bring it back."""

    def close(self) -> None:
        """Release everything, the bus too."""


class LineRig(Rig, Protocol):
    """A rig whose device answers requests and can do so badly."""

    deadline_s: float

    def behave(self, behaviour: Behaviour) -> None:
        """Answer like this from the next request on."""


class DriverContract:
    """What the daemon relies on. Subclass it, name the class Test…, and override `make_rig`."""

    rig: Any

    def make_rig(self, folder: Path) -> Rig:
        """Return a new rig; ``folder`` is empty, for sockets and links, and removed afterwards."""
        raise NotImplementedError

    def setup_method(self) -> None:
        """Make the rig, before each test."""
        self._folder = Path(tempfile.mkdtemp(prefix="driver-"))
        self.rig = self.make_rig(self._folder)

    def teardown_method(self) -> None:
        """Take the rig down, after each test."""
        self.rig.close()
        shutil.rmtree(self._folder, ignore_errors=True)

    def test_the_class_has_the_face_of_a_driver(self) -> None:
        """Everything that discovery asks for is there."""
        assert shortcomings(type(self.rig.driver())) == []

    def test_unknown_keys_are_refused(self) -> None:
        """A misspelt key in the configuration is an error, and the options have a JSON schema."""
        options = type(self.rig.driver()).options
        failure = raised(lambda: options.model_validate({"no_such_key": 1}), ValidationError)
        kinds = {error["type"] for error in failure.errors()}
        assert "extra_forbidden" in kinds, f"options accept unknown keys: set extra='forbid' ({kinds})"
        assert options.model_json_schema()["type"] == "object"

    def test_making_and_describing_need_no_hardware(self) -> None:
        """A driver can be made and described with the device unplugged."""
        self.rig.unplug()
        description = self.rig.driver().describe()
        assert description.summary
        assert description.where
        assert description.points
        assert len(set(description.points)) == len(description.points), "a point is named twice"

    def test_a_read_names_every_point_once(self) -> None:
        """One sample for each point of the description, in its order."""
        driver = self.opened()
        assert tuple(sample.point for sample in driver.read()) == driver.describe().points

    def test_samples_carry_the_time_of_the_poll(self) -> None:
        """Stamps are CLOCK_MONOTONIC nanoseconds and fall within the read."""
        driver = self.opened()
        before_ns = time.monotonic_ns()
        samples = driver.read()
        after_ns = time.monotonic_ns()
        assert all(type(sample.monotonic_ns) is int for sample in samples)
        assert all(before_ns <= sample.monotonic_ns <= after_ns for sample in samples)

    def test_samples_are_numbers_or_say_why_not(self) -> None:
        """Raw is an int or a finite float, or None with a reason from the closed list."""
        check_samples(self.opened().read())

    def test_closing_twice_does_no_harm(self) -> None:
        """Close is idempotent."""
        driver = self.opened()
        driver.close()
        driver.close()

    def test_closing_what_was_never_opened_does_no_harm(self) -> None:
        """A supervisor closes whatever it has."""
        self.rig.driver().close()

    def test_closing_what_is_unplugged_does_no_harm(self) -> None:
        """Close never raises."""
        driver = self.opened()
        self.rig.unplug()
        driver.close()

    def test_it_can_be_opened_again(self) -> None:
        """After close comes open, as often as needed."""
        driver = self.opened()
        for _ in range(3):
            driver.close()
            driver.open()
            check_samples(driver.read())

    def test_another_driver_can_follow(self) -> None:
        """After close nothing is held that a second driver of the same device needs."""
        self.opened().close()
        check_samples(self.opened().read())

    def test_an_absent_device_is_a_wire_error(self) -> None:
        """Opened or read while unplugged: WireError, with a text and a reason."""
        self.rig.unplug()
        failure = raised(self.opened_and_read, WireError)
        assert str(failure)
        assert isinstance(failure.reason, Reason)

    def test_pulling_the_plug_is_a_wire_error(self) -> None:
        """Unplugged in mid-run: the next read is a WireError, and so are those after it."""
        driver = self.opened()
        driver.read()
        self.rig.unplug()
        for _ in range(2):
            failure = raised(driver.read, WireError)
            assert failure.reason is Reason.UNPLUGGED, f"got {failure.reason}: {failure}"

    def test_it_recovers_when_plugged_in_again(self) -> None:
        """Close, open and read as a supervisor would."""
        driver = self.opened()
        self.rig.unplug()
        raised(driver.read, WireError)
        driver.close()
        self.rig.replug()
        driver.open()
        check_samples(driver.read())

    def opened(self) -> Any:
        """Return a new driver of the rig, opened."""
        driver = self.rig.driver()
        driver.open()
        return driver

    def opened_and_read(self) -> Sequence[Sample]:
        """Open a new driver and read it."""
        samples: Sequence[Sample] = self.opened().read()
        return samples


class LineContract(DriverContract):
    """What the daemon relies on in a device that is asked over a line. Override `make_rig` with a `LineRig`."""

    def test_silence_is_told_in_time(self) -> None:
        """No answer: SILENT, and not much later than the deadline."""
        self.fails("silent", WireError, Reason.SILENT)

    def test_garbage_is_told_in_time(self) -> None:
        """Noise: BAD_CHECKSUM."""
        self.fails("garbage", AnswerError, Reason.BAD_CHECKSUM)

    def test_half_an_answer_is_no_answer(self) -> None:
        """Half an answer: BAD_CHECKSUM, never a value."""
        self.fails("half", AnswerError, Reason.BAD_CHECKSUM)

    def test_babble_ends(self) -> None:
        """A device that never stops talking doesn't hold the bus."""
        self.fails("babble", AnswerError, Reason.BAD_CHECKSUM)

    def test_one_byte_at_a_time_is_an_answer(self) -> None:
        """An answer within the deadline counts, however it is cut."""
        self.rig.behave("trickle")
        check_samples(self.opened_and_read())

    def test_a_late_answer_is_called_late(self) -> None:
        """Late answers are failures, and soon named for what they are."""
        driver = self.opened()
        self.rig.behave("late")
        reasons = [raised(driver.read, WireError).reason for _ in range(3)]
        assert reasons[-1] is Reason.LATE, f"got {reasons}"

    def test_it_recovers_from_each_failure(self) -> None:
        """After each, the next read of a device that answers well is good, without opening it again."""
        driver = self.opened()
        failures: tuple[Behaviour, ...] = ("silent", "garbage", "half", "late")
        for behaviour in failures:
            self.rig.behave(behaviour)
            raised(driver.read, DriverError)
            self.rig.behave("well")
            check_samples(driver.read())

    def fails(self, behaviour: Behaviour, kind: type[DriverError], reason: Reason) -> None:
        """Assert that a read fails in this way, soon after the deadline."""
        driver = self.opened()
        self.rig.behave(behaviour)
        begun = time.monotonic()
        failure = raised(driver.read, kind)
        took_s = time.monotonic() - begun
        assert failure.reason is reason, f"got {failure.reason}: {failure}"
        assert took_s < self.rig.deadline_s + 0.5, f"took {took_s:.2f} s of {self.rig.deadline_s} s"


def raised(action: Callable[[], Any], kind: type[Any]) -> Any:
    """Return the error of this kind that ``action`` raises; anything else is a failed test."""
    try:
        result = action()
    except kind as failure:
        return failure
    raise AssertionError(f"got {result!r}, wanted {kind.__name__}")


def check_samples(samples: Sequence[Sample]) -> None:
    """Assert that raw values are numbers that the store can keep, or absent with a reason."""
    assert samples
    for sample in samples:
        assert (sample.raw is None) == (sample.reason is not None), f"value and reason of {sample}"
        assert type(sample.raw) in (int, float, type(None)), f"raw of {sample}"
        assert sample.raw is None or math.isfinite(sample.raw), f"raw of {sample}"
