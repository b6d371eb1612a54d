"""Puts a watcher together from its setup, runs it, and ends it within five seconds."""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.codec import channel_spec, plan_to_json
from quietbench.daemon.core.engine import Core, Kept
from quietbench.daemon.core.plan import Plan
from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.core.ready_parts import Reference
from quietbench.daemon.core.records import Event, EventKind, Lamp, Output
from quietbench.daemon.core.replay import kept
from quietbench.daemon.errors import StoreError
from quietbench.daemon.settings.setup import DeviceSetup, SinkSetup, WatcherSetup
from quietbench.daemon.sinks.base import Sink, SinkContext
from quietbench.daemon.store.read import StoreReader
from quietbench.daemon.store.writer import RunStart, StoreWriter
from quietbench.daemon.watcher.annunciators import Annunciators, Line, Lines
from quietbench.daemon.watcher.desk import Desk
from quietbench.daemon.watcher.health import Health, Stall
from quietbench.daemon.watcher.inbox import Inbox, Request
from quietbench.daemon.watcher.loop import CoreLoop
from quietbench.daemon.watcher.notify import notify, watchdog_period_s
from quietbench.daemon.watcher.polling import BusThread, Device
from quietbench.daemon.watcher.progress import ProgressBoard
from quietbench.daemon.watcher.quiet import QuietHours
from quietbench.daemon.watcher.readiness import Readiness
from quietbench.daemon.watcher.recorder import Recorder
from quietbench.daemon.watcher.restored import restored
from quietbench.daemon.watcher.server import SocketServer
from quietbench.daemon.watcher.views import Views
from quietbench.drivers.api import Reason
from quietbench.drivers.buses import GpioChip, open_bus
from quietbench.drivers.outputs import OutputLine

log = logging.getLogger(__name__)

SWITCH_INTERVAL_S = 0.0005
"""How long a thread may keep the interpreter while others wait.

The default of 5 ms gave a p99.9 of 57 ms from an edge to the buzzer with a hundred channels polled; this gave 3.9.
"""

LIVE_KINDS = frozenset({EventKind.ALARM, EventKind.BENCH})
STORE_STANDS_NS = 10_000_000_000
"""How long one commit may take before records count as not written: a bad card hangs without an error."""

STOP_STORE_S = 3.0
STOP_SINK_S = 1.0


class Watcher:
    """One watcher: all of its threads, from `start` to `stop`.

    Raises:
        StoreRefusedError, SocketError, SetupError: it can't run as it stands; nothing is left running.
    """

    def __init__(self, plan: Plan, setup: WatcherSetup, software: str) -> None:
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        self._plan = plan
        self._setup = setup
        self._software = software
        self.clock = Clock(known_by=setup.clock_known)
        self._board = ProgressBoard(self.clock.monotonic_ns)
        self._inbox = Inbox()
        self._health = Health(_health_channels(plan), self._inbox, self.clock.monotonic_ns)
        self._clock_failing = self._health.reporter("clock", Reason.NO_CLOCK)
        self._outputs_failing = self._health.reporter("outputs", None)
        self._store_stands = self._health.reporter("store", Reason.STORE_FAILING, "stands")
        self._quiet_hours = _quiet_hours(setup)
        store_failing = self._health.reporter("store", Reason.STORE_FAILING)
        self._writer = StoreWriter(
            setup.store_folder,
            clock=self.clock,
            commit_every_s=setup.commit_every_s,
            committed=self._committed,
            failing=store_failing,
        )
        self._recorder = Recorder(
            self._writer, self._run_start(), failing=store_failing, opened=self._store_opened
        )
        self._chip = None if setup.gpio is None else GpioChip(setup.gpio)
        self._sinks: list[Sink] = []
        self._annunciators = Annunciators(self._lines(), self.clock.monotonic_ns, self._board)
        self._buses = self._bus_threads()
        self._views = Views(plan, lambda: self._recorder.run, self.clock, setup.language)
        self._desk = Desk(
            inbox=self._inbox,
            views=self._views,
            person=self._writer.person,
            status=self._status,
            page_uid=setup.page_uid,
        )
        self._readiness = Readiness(
            plan, self._annunciators, self._references(), views=self._views, person=self._writer.person
        )
        self._desk.readiness = self._readiness
        self._loop: CoreLoop
        self._server: SocketServer

    def start(self) -> None:
        """Open the store, then the socket, then the hardware; sinks come with the store."""
        self._server = SocketServer(
            self._setup.socket,
            group=self._setup.socket_group,
            greeting=self._greeting,
            handle=self._desk.handle,
            board=self._board,
            monotonic_ns=self.clock.monotonic_ns,
        )
        try:
            self._recorder.open()
        except StoreError:
            self._server.stop()
            raise
        core = Core(self._plan, self.clock.monotonic_ns())
        self._loop = CoreLoop(
            core,
            self._inbox,
            monotonic_ns=self.clock.monotonic_ns,
            board=self._board,
            annunciate=self._annunciators.give,
            hand_on=self._hand_on,
        )
        self._desk.loop, self._desk.server = self._loop, self._server
        self._readiness.loop, self._readiness.server = self._loop, self._server
        self._loop.attendant = self._readiness
        self._readiness.open()
        self._annunciators.start()
        self._loop.start(
            core.start(self.clock.monotonic_ns(), {"software": self._software}, *self._restored())
        )
        for bus in self._buses:
            bus.start()
        self._server.start()
        self._health.tell()
        notify("READY=1")

    def run(self, stop: threading.Event) -> None:
        """Stay until told to stop; feed the service watchdog while every thread moves."""
        period_s = min(watchdog_period_s() or 1.0, 1.0)
        complained: set[str] = set()
        quiet = False
        stall = Stall(lambda: self._writer.progress, STORE_STANDS_NS, self.clock.monotonic_ns())
        while True:
            quiet = self._follow_hours(quiet)
            self._look_at_health(stall)
            stale = set(self._board.stale(self.clock.monotonic_ns()))
            if stale - complained:
                log.error("no progress: %s", ", ".join(sorted(stale - complained)))
            complained = stale
            if not stale:
                notify("WATCHDOG=1")
            if stop.wait(period_s):
                return

    def _look_at_health(self, stall: Stall) -> None:
        """Tell the core of what nobody else would tell."""
        self._clock_failing(None if self.clock.known() else "the wall clock has not been set since the start")
        self._outputs_failing(self._annunciators.failing_anywhere() or None)
        stands = self._recorder.run > 0 and stall.stands(self.clock.monotonic_ns())
        self._store_stands("the disk takes no record and gives no error" if stands else None)
        self._health.tell()

    def _follow_hours(self, quiet: bool) -> bool:
        """Tell the core when quiet hours begin and end; an unknown clock makes none."""
        if self._quiet_hours is None:
            return False
        now = self.clock.stamp()
        wanted = now.known and self._quiet_hours.now(now.wall_ns)
        if wanted is not quiet:
            loop = self._loop
            self._inbox.put_request(Request(lambda at: loop.give(loop.core.quiet(at, on=wanted))))
        return wanted

    def stop(self) -> None:
        """End everything, inputs first; all that was given is on disk afterwards, or it is said."""
        notify("STOPPING=1")
        for bus in self._buses:
            bus.stop(0.5)
        self._loop.stop()
        self._desk.close()
        self._readiness.close(self.clock.monotonic_ns())
        end = self._loop.core.record(
            EventKind.RUN, self._plan.watcher, {"ended": True}, self.clock.monotonic_ns()
        )
        self._hand_on([end])
        self._annunciators.stop()
        for sink in self._sinks:
            sink.stop(STOP_SINK_S)
        if not self._recorder.stop(STOP_STORE_S):
            log.error(
                "not everything that was recorded is on disk: %s", self._health.texts().get("store", "")
            )
        self._server.stop()
        if self._chip is not None:
            self._chip.close()

    # -- what follows from the core ----------------------------------------------------------------------

    def _hand_on(self, outputs: Sequence[Output]) -> None:
        """Give records to the store, alarms to the sinks at once, and all to whoever looks; blocks on nothing."""
        records = list(kept(outputs))
        if records:
            self._writer.put(records)
        for sink in self._sinks:
            for record in records:
                if isinstance(record, Event) and record.kind in LIVE_KINDS:
                    sink.offer(record)
        self._desk.publish(outputs)
        self._readiness.see(outputs)

    def _committed(self) -> None:
        for sink in self._sinks:
            sink.committed()

    def _store_opened(self, run: int) -> None:
        """Start the sinks: they follow the store, so they begin when it does."""
        sinks = [self._make_sink(sink, run) for sink in self._setup.sinks]
        for sink in sinks:
            sink.start()
        self._sinks = sinks

    def _make_sink(self, sink: SinkSetup, run: int) -> Sink:
        from quietbench.daemon.sinks import open_sink  # its libraries only where a sink is on

        channels = {c.name: (c.quantity, c.unit, QUANTITIES[c.quantity].label) for c in self._plan.channels}
        context = SinkContext(
            folder=self._setup.store_folder,
            run=run,
            site=self._plan.site,
            watcher=self._plan.watcher,
            channels=channels,
            advance=self._writer.advance,
            set_aside=self._writer.set_aside,
            failing=self._health.reporter(f"sink-{sink.name}", Reason.SINK_REFUSED),
            render=self._views.say_body,
            clock=self.clock,
            command=self._desk.take_command,
        )
        return open_sink(sink.name, sink.options, context)

    # -- putting together --------------------------------------------------------------------------------

    def _run_start(self) -> RunStart:
        now = self.clock.stamp()
        return RunStart(
            boot=self.clock.boot,
            monotonic_ns=now.monotonic_ns,
            wall_ns=now.wall_ns,
            clock_known=now.known,
            software=self._software,
            plan_json=plan_to_json(self._plan),
            channels=tuple((channel.name, channel_spec(channel)) for channel in self._plan.channels),
        )

    def _restored(self) -> tuple[Kept, Kept]:
        """Return alarms and benches as the run before left them; nothing where the store can't be read."""
        with suppress(StoreError), StoreReader(self._setup.store_folder) as reader:
            return restored(reader, self.clock)
        return {}, {}

    def _greeting(self) -> dict[str, Any]:
        return {
            "quietbench": 1,
            "watcher": self._plan.watcher,
            "site": self._plan.site,
            "run": self._recorder.run,
            "software": self._software,
            "language": self._views.language,
        }

    def _status(self) -> dict[str, Any]:
        return {
            **self._greeting(),
            "profile": self._plan.profile,
            "store": str(self._setup.store_folder),
            "clock_known": self.clock.known(),
            "devices_failing": {n: text for bus in self._buses for n, text in bus.failing().items()},
            "wrong": self._health.texts(),
            "stale": list(self._board.stale(self.clock.monotonic_ns())),
        }

    def _lines(self) -> dict[str, Lines]:
        lines: dict[str, Lines] = {}
        for bench, outputs in self._setup.annunciators.items():
            assert self._chip is not None, "checked with the configuration"
            chip = self._chip
            lines[bench] = Lines(
                buzzer=None if outputs.buzzer is None else OutputLine(chip, outputs.buzzer),
                lamp={Lamp(colour): OutputLine(chip, line) for colour, line in outputs.lamp.items()},
                relay=None if outputs.relay is None else OutputLine(chip, outputs.relay),
            )
        return lines

    def _references(self) -> dict[str, dict[Reference, Line]]:
        lines: dict[str, dict[Reference, Line]] = {}
        for bench, fitted in self._setup.references.items():
            assert self._chip is not None, "checked with the configuration"
            chip = self._chip
            lines[bench] = {
                Reference(r.line, r.channel, r.ohm, r.u_ohm, r.over_limit): OutputLine(chip, r.line)
                for r in fitted
            }
        return lines

    def _bus_threads(self) -> list[BusThread]:
        """One thread per bus; a device without a bus has a thread of its own."""
        threads = []
        for bus in self._setup.buses:
            opened = open_bus(bus.name, bus.settings, self._chip)
            devices = [device for device in self._setup.devices if device.bus == bus.name]
            if devices:
                threads.append(self._thread(bus.name, devices, opened))
        alone = [device for device in self._setup.devices if device.bus is None]
        return threads + [self._thread(device.name, [device], None) for device in alone]

    def _thread(self, name: str, devices: Sequence[DeviceSetup], bus: Any) -> BusThread:
        now_ns = self.clock.monotonic_ns()
        polled = [
            Device(
                d.name,
                d.driver(d.options, bus),
                d.every_s,
                d.deadline_s,
                d.points,
                now_ns,
                keeps_deadline=hasattr(d.options, "deadline_s"),
            )
            for d in devices
        ]
        channels = [self._plan.channels[index] for d in devices for index in d.points.values()]
        return BusThread(
            name,
            polled,
            self._inbox,
            monotonic_ns=self.clock.monotonic_ns,
            board=self._board,
            protecting=any(channel.measures for channel in channels),
            close_bus=(lambda: None) if bus is None else bus.close,
        )


def _quiet_hours(setup: WatcherSetup) -> QuietHours | None:
    if setup.quiet_hours is None:
        return None
    import zoneinfo  # where a site has quiet hours

    return QuietHours(zoneinfo.ZoneInfo(setup.time_zone), *setup.quiet_hours)


def _health_channels(plan: Plan) -> dict[str, int]:
    return {
        channel.name.removeprefix("watcher/"): index
        for index, channel in enumerate(plan.channels)
        if channel.name.startswith("watcher/")
    }
