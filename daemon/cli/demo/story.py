"""The demonstration's caption: what happens at the benches now, as the simulators know it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from quietbench.daemon.cli.demo.truth import DROPOUT_NS
from quietbench.daemon.socket.lines import ReadingLine

_DRIER_BY = 0.05
_BEGINNING = "An invented site: the wires are simulated, the watcher is the real one."

_SHORT = {"cord": "the cord starts to let go", "mat_lead": "the mat lead's screw works loose"}
_LONG = {
    "cord": "the cord has broken, and stays open",
    "mat_lead": "the mat lead hangs loose",
    "skin": "nobody wears the band",
}
_WHOLE = {
    "cord": "a new cord is in",
    "mat_lead": "the mat lead is fastened again",
    "skin": "the band goes on, the work begins",
}


class Story:
    """Follows the truth and says the newest thing worth saying; ``told`` counts what has been said."""

    def __init__(self) -> None:
        self.caption = _BEGINNING
        self._open: dict[tuple[str, str], int] = {}
        self._dropouts: Counter[tuple[str, str]] = Counter()
        self._began_ns = 0
        self._humidity: float | None = None

    def feed(self, lines: Iterable[Mapping[str, Any]], now_ns: int) -> None:
        """Take what is new in the truth, and look what has stood open for long."""
        for line in lines:
            happens = _HAPPENINGS.get(str(line.get("what")))
            if happens is not None:
                happens(self, line)
        for (bench, stretch), since_ns in list(self._open.items()):
            if now_ns - since_ns >= DROPOUT_NS and since_ns > self._began_ns:
                self._say(bench, _LONG.get(stretch, f"the {_words(stretch)} stands open"))
                self._open[bench, stretch] = 0  # said once

    def look(self, readings: Iterable[ReadingLine]) -> None:
        """Take the air's humidity, which the truth leaves to the instruments."""
        for reading in readings:
            if reading.quantity == "relative_humidity" and reading.value is not None:
                self._follow_air(reading.value)

    def _follow_air(self, humidity: float) -> None:
        if self._humidity is None or humidity > self._humidity:
            self._humidity = humidity
        elif humidity <= self._humidity - _DRIER_BY:
            self.caption = (
                f"The night passes, speeded up: the air dries from {self._humidity:.0%}"
                f" to {humidity:.0%} relative humidity."
            )
            self._humidity = humidity

    def _start(self, line: Mapping[str, Any]) -> None:
        self._began_ns = int(line["start_ns"])

    def _presence(self, line: Mapping[str, Any]) -> None:
        if line["present"]:
            self._say(line["bench"], "somebody sits down")
        elif line["monotonic_ns"] > self._began_ns:
            self._say(line["bench"], "they leave")

    def _opened(self, line: Mapping[str, Any]) -> None:
        self._open[line["bench"], line["stretch"]] = line["start_ns"]

    def _closed(self, line: Mapping[str, Any]) -> None:
        bench, stretch = line["bench"], line["stretch"]
        self._open.pop((bench, stretch), None)
        lasted_ns = line["end_ns"] - line["start_ns"]
        if lasted_ns >= DROPOUT_NS:
            self._say(bench, _WHOLE.get(stretch, f"the {_words(stretch)} is whole again"))
            return
        self._dropouts[bench, stretch] += 1
        what = _SHORT.get(stretch, f"the {_words(stretch)} lets go")
        times = self._dropouts[bench, stretch]
        self._say(bench, f"{what}: open for {lasted_ns / 1e6:.1f} ms, {times} so far")

    def _say(self, bench: str, text: str) -> None:
        self.caption = f"{bench}: {text}."


_HAPPENINGS = {
    "started": Story._start,  # noqa: SLF001
    "presence": Story._presence,  # noqa: SLF001
    "opened": Story._opened,  # noqa: SLF001
    "closed": Story._closed,  # noqa: SLF001
}


def _words(stretch: str) -> str:
    return stretch.replace("_", " ")
