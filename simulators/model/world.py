"""All rooms and benches together: what the wires carry and what really is."""

from __future__ import annotations

from dataclasses import dataclass

from quietbench.simulators.model.bench import Bench
from quietbench.simulators.model.chance import stream
from quietbench.simulators.model.changes import Change
from quietbench.simulators.model.room import Room
from quietbench.simulators.model.season import SeasonRoom
from quietbench.simulators.model.sensor import Sensor
from quietbench.simulators.model.stretches import Force

ROOM_SIGNALS = ("relative_humidity", "air_temperature")

_HORIZON_S = 0.25


@dataclass(frozen=True, slots=True)
class Transmitter:
    """A humidity and temperature sensor's own errors: offsets drawn within ±1 %RH and ±0.2 K, and white noise."""

    seed: int
    room: str

    def errors(self, signal: str, at_s: float) -> float:
        """Return what the sensor adds to ``signal`` (in its SI unit) at ``at_s``."""
        fixed, spread = (0.01, 5e-4) if signal == "relative_humidity" else (0.2, 0.02)
        offset = stream(self.seed, "transmitter", self.room, signal).uniform(-fixed, fixed)
        return offset + stream(self.seed, "transmitter", self.room, signal, at_s).gauss(0.0, spread)


class World:
    """The model of one site, moved forward in time by `advance`; values may be asked for at any time."""

    def __init__(
        self,
        seed: int,
        rooms: dict[str, Room | SeasonRoom],
        benches: dict[str, Bench],
        sensors: dict[str, Sensor] | None = None,
    ) -> None:
        self.seed, self.rooms, self.benches = seed, rooms, benches
        self._sensors = sensors or {}
        self._transmitters = {name: Transmitter(seed, name) for name in rooms}
        self.now_s = 0.0

    def settle(self) -> list[Change]:
        """Return the state at time 0 as changes; once, before the first `advance`."""
        return [change for bench in self.benches.values() for change in bench.settle()]

    def advance(self, to_s: float) -> list[Change]:
        """Move on to model time ``to_s`` (counted in) and return what happened since, in order of time.

        Raises:
            ValueError: ``to_s`` has passed already.
        """
        if to_s < self.now_s:
            raise ValueError(f"advance to {to_s} s, wanted {self.now_s} s or later: time never goes back")
        self.now_s = to_s
        changes = [change for bench in self.benches.values() for change in bench.advance(to_s)]
        return sorted(changes, key=lambda change: change.at_s)

    def wake_s(self) -> float:
        """Return when `advance` next has something to tell: at most a quarter of a second ahead."""
        return min(
            (bench.wake_s(_HORIZON_S) for bench in self.benches.values()), default=self.now_s + _HORIZON_S
        )

    def force(self, bench: str, stretch: str, force: Force) -> None:
        """Hold a stretch open or closed from now on, or leave it to the physics again.

        Raises:
            KeyError: no such bench or stretch.
        """
        self.benches[bench].stretches[stretch].force.set(self.now_s, force)

    def force_presence(self, bench: str, present: bool | None) -> None:
        """Put somebody at a bench or send them away from now on; None leaves it to the scenario."""
        self.benches[bench].person.present_forced.set(self.now_s, present)

    def force_humidity(self, room: str, humidity: float | None) -> None:
        """Hold a room's relative humidity (0 … 1) from now on; None leaves it to the weather."""
        self.rooms[room].forced_humidity.set(self.now_s, humidity)

    def volts_at(self, signal: str, at_s: float) -> float:
        """Return the voltage of ``BENCH/mat`` at ``at_s``.

        Raises:
            KeyError: no such signal.
        """
        bench, _, what = signal.partition("/")
        if what != "mat":
            raise KeyError(signal)
        return self.benches[bench].mat_volts_at(at_s)

    def value_at(self, signal: str, at_s: float) -> float:
        """Return what a room's transmitter says at ``at_s``, in SI units (1 or K).

        Raises:
            KeyError: no such signal.
        """
        name, _, what = signal.rpartition("/")
        if name in self._sensors:
            return self._sensors[name].value_at(what, at_s)
        room = self.rooms[name]
        true = {"relative_humidity": room.humidity_at, "air_temperature": room.temperature_k_at}[what](at_s)
        said = true + self._transmitters[name].errors(what, at_s)
        return min(1.0, max(0.0, said)) if what == "relative_humidity" else said
