"""One thread per bus: asks each of its devices in its rhythm, and turns failures into samples that say so.

A device that fails thrice in a row is asked ever less often, up to every few seconds, so that a dead one can't
starve the others of its bus; one good answer and it is back in its rhythm.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import cast

from quietbench.daemon.watcher.inbox import Fed, Inbox
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.drivers.api import DriverError, ListeningDriver, PolledDriver, Reason, Sample, WireError

log = logging.getLogger(__name__)

SLICE_S = 0.1
"""A bus thread shows progress at least this often while it waits."""

PATIENCE = 3
"""Failures in a row before a device is asked less often: its alarm stands by then."""

MOST_S = 5.0
"""The longest pause between two tries of a device that is down (or its own period, if longer)."""


@dataclass(slots=True)
class Device:
    """One device as its bus thread sees it. ``channels`` maps points to channel indices of the plan.

    ``keeps_deadline``: its driver ends a poll by itself; what a poll takes beyond is the bus's, which had to come
    to rest after another device, and makes no answer late.
    """

    name: str
    driver: PolledDriver
    every_s: float
    deadline_s: float
    channels: Mapping[str, int]
    next_ns: int = 0
    keeps_deadline: bool = False
    opened: bool = False
    failures: int = 0
    told: str = field(default="", repr=False)

    def pause_s(self) -> float:
        """Return how long to leave the device alone after `PATIENCE` or more failures in a row."""
        doubled = self.every_s * 2.0 ** min(self.failures - PATIENCE + 1, 10)
        return min(doubled, max(MOST_S, self.every_s))


class BusThread:
    """The thread that owns one bus and its devices."""

    def __init__(
        self,
        name: str,
        devices: Sequence[Device],
        inbox: Inbox,
        *,
        monotonic_ns: Callable[[], int],
        board: ProgressBoard,
        protecting: bool,
        close_bus: Callable[[], None],
    ) -> None:
        self.name = name
        self._devices = tuple(devices)
        self._inbox = inbox
        self._monotonic_ns = monotonic_ns
        self._close_bus = close_bus
        longest = max((device.deadline_s for device in devices), default=0.0)
        self._mark = board.mark(f"bus {name}", period_s=max(2 * SLICE_S, longest), protecting=protecting)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"bus-{name}", daemon=True)

    def failing(self) -> dict[str, str]:
        """Return the devices that do not answer as they should, with what their driver says."""
        return {device.name: device.told for device in self._devices if device.told}

    def start(self) -> None:
        """Start asking."""
        self._thread.start()

    def stop(self, deadline_s: float) -> None:
        """End after the poll that runs; devices and bus are closed by the thread itself."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(deadline_s)

    def _run(self) -> None:
        while not self._stop.is_set():
            now_ns = self._monotonic_ns()
            self._mark.moved_ns = now_ns
            self._cycle(now_ns)
            wait_s = (min(device.next_ns for device in self._devices) - self._monotonic_ns()) / 1e9
            if wait_s > 0:
                self._stop.wait(min(wait_s, SLICE_S))
        for device in self._devices:
            self._close(device)
        self._close_bus()

    def _cycle(self, now_ns: int) -> None:
        """Ask every device whose time has come; what they say goes to the core as one batch.

        What is gathered already does not wait for a device that failed last time and may take its whole deadline.
        """
        batch: list[Fed] = []
        for device in self._devices:
            if device.next_ns <= now_ns:
                if batch and device.failures:
                    self._inbox.put_batch(batch)
                    batch = []
                self._schedule(device, now_ns)
                batch += self._ask(device)
                self._mark.moved_ns = self._monotonic_ns()
        if batch:
            self._inbox.put_batch(batch)

    def _schedule(self, device: Device, now_ns: int) -> None:
        """Stay on the device's grid; after a long poll skip the missed points rather than catch up."""
        step_ns = int(device.every_s * 1e9)
        late_ns = now_ns - device.next_ns
        device.next_ns = now_ns + step_ns if late_ns >= step_ns else device.next_ns + step_ns

    def _ask(self, device: Device) -> list[Fed]:
        began_ns = self._monotonic_ns()
        try:
            fed = self._fed(device, self._samples(device), began_ns)
        except DriverError as error:
            return self._failed(device, error, error.reason)
        except Exception as error:  # noqa: BLE001  a driver that breaks its promise must not end the bus
            return self._failed(device, error, Reason.SILENT)
        if device.failures:
            log.info("device %s answers again after %d failures", device.name, device.failures)
        device.failures, device.told = 0, ""
        return fed

    def _fed(self, device: Device, samples: Sequence[Sample], began_ns: int) -> list[Fed]:
        took_ns = self._monotonic_ns() - began_ns
        too_long = took_ns > device.deadline_s * 1e9 and not device.keeps_deadline
        late = Reason.LATE if too_long else None
        channels = device.channels
        return [
            (channels[point], monotonic_ns, raw, reason or late)
            for point, monotonic_ns, raw, reason in samples
            if point in channels
        ]

    def _samples(self, device: Device) -> Sequence[Sample]:
        if not device.opened:
            device.driver.open()
            device.opened = True
            if hasattr(device.driver, "listen"):
                self._listen(device, cast("ListeningDriver", device.driver))
        return device.driver.read()

    def _listen(self, device: Device, driver: ListeningDriver) -> None:
        put, channels = self._inbox.put_edge, device.channels

        def edge(sample: Sample) -> None:
            channel = channels.get(sample.point)
            if channel is not None:
                put((channel, sample.monotonic_ns, sample.raw, sample.reason))

        driver.listen(edge)

    def _close(self, device: Device) -> None:
        device.opened = False
        try:
            device.driver.close()
        except Exception:  # a driver that breaks its promise must not end the bus
            log.exception("device %s could not be closed", device.name)

    def _failed(self, device: Device, error: Exception, reason: Reason) -> list[Fed]:
        device.failures += 1
        text = str(error)
        if text != device.told:
            device.told = text
            log.warning("device %s: %s", device.name, text)
        if not isinstance(error, DriverError) or isinstance(error, WireError):
            self._close(device)
        now_ns = self._monotonic_ns()
        if device.failures >= PATIENCE:
            device.next_ns = now_ns + int(device.pause_s() * 1e9)
        return [(channel, now_ns, None, reason) for channel in device.channels.values()]
