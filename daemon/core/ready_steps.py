"""The steps of the check before work, one class each.

A step begins, has its turns until it is done, and is ended in any case, which puts back whatever it has put
to the test. It reads the core and changes nothing there; what it wants done it returns.
"""

from __future__ import annotations

import abc
from collections.abc import Iterable, Sequence
from typing import ClassVar

from quietbench.daemon.core.ready_parts import (
    ASK_NS,
    COLOUR_NS,
    PRESS_NOT_BEFORE_NS,
    PRESS_NS,
    Act,
    Calm,
    News,
    Outcome,
    Outfit,
    Result,
    Say,
    Signal,
)
from quietbench.daemon.core.records import Lamp, Rhythm

NOBODY = "nobody answered"


class Step(abc.ABC):
    """One step. ``expected`` are alarms that belong to it; ``over`` ends the whole check with it.

    ``waits`` says that a question waits for its answer.
    """

    name: str
    expected: frozenset[str] = frozenset()
    waits: ClassVar[bool] = False

    def __init__(self, name: str) -> None:
        self.name = name
        self.outcomes: list[Outcome] = []
        self.over = False

    @property
    def done(self) -> bool:
        """Say whether the step has come to something."""
        return bool(self.outcomes)

    @abc.abstractmethod
    def begin(self, now_ns: int) -> list[Act]:
        """Begin; called once."""

    @abc.abstractmethod
    def turn(self, now_ns: int, news: News) -> list[Act]:
        """Go on; called at least every 50 ms until the step is done."""

    def end(self) -> list[Act]:
        """Put back what is under test; called once, whatever has happened."""
        return []

    def came_to(self, result: Result, why: str = "", numbers: dict[str, object] | None = None) -> None:
        """Take note of what the step came to."""
        self.outcomes.append(Outcome(self.name, result, why, numbers or {}))


class NoteStep(Step):
    """Nothing to do, and the record says so."""

    def __init__(self, name: str, why: str) -> None:
        super().__init__(name)
        self._why = why

    def begin(self, now_ns: int) -> list[Act]:  # noqa: ARG002  the face of a step
        """Be done at once."""
        self.came_to(Result.NOTED, self._why)
        return []

    def turn(self, now_ns: int, news: News) -> list[Act]:  # noqa: ARG002  the face of a step
        """Nothing is left to do."""
        return []


class CalibrationStep(NoteStep):
    """The last days on which the channels' calibrations hold, against today.

    One that is past warns and does not stop work by itself; what nobody entered is said to be so. ISO dates of
    one form compare as text.
    """

    def __init__(self, due: dict[str, str], today: str) -> None:
        super().__init__("calibration", "")
        self._due, self._today = due, today

    def begin(self, now_ns: int) -> list[Act]:  # noqa: ARG002  the face of a step
        """Be done at once."""
        entered = {name: due for name, due in self._due.items() if due}
        missing = len(self._due) - len(entered)
        numbers: dict[str, object] = {"due": dict(entered), "not_entered": missing}
        if not entered:
            self.came_to(Result.NOTED, "no due dates are entered for these channels")
        elif not self._today:
            self.came_to(Result.NOTED, "the clock is not known, so nothing can be called due", numbers)
        elif past := sorted(name for name, due in entered.items() if due < self._today):
            self.came_to(Result.WARNED, f"calibration overdue: {', '.join(past)}", numbers)
        else:
            why = f"no due dates are entered for {missing} channels" if missing else ""
            self.came_to(Result.PASSED, why, numbers)
        return []


class SignalStep(Step):
    """The buzzer sounds, or the lamp shows one colour, and a person says whether it was heard or seen."""

    waits: ClassVar[bool] = True

    def __init__(self, name: str, rhythm: Rhythm | None, lamp: Lamp | None) -> None:
        super().__init__(name)
        self._rhythm, self._lamp = rhythm, lamp
        self._until_ns = 0

    def begin(self, now_ns: int) -> list[Act]:
        """Give the signal and ask."""
        self._until_ns = now_ns + ASK_NS
        key = "ask.heard" if self._lamp is None else f"ask.{self._lamp.value}"
        return [Signal(self._rhythm, self._lamp, self._until_ns), Say(self.name, key, ask=True)]

    def turn(self, now_ns: int, news: News) -> list[Act]:
        """Wait for the answer."""
        if news.failing:
            self.came_to(Result.FAILED, f"an output fails: {news.failing}")
        elif news.answer is not None:
            no = "not heard" if self._lamp is None else "not seen"
            self.came_to(*((Result.PASSED, "") if news.answer else (Result.FAILED, no)))
        elif now_ns >= self._until_ns:
            self.came_to(Result.FAILED, NOBODY)
            self.over = True
        return []

    def end(self) -> list[Act]:
        """Let buzzer and lamp say again what is so."""
        return [Calm()]


class ButtonSignalsStep(Step):
    """Every colour in turn, then the buzzer too; one press of the button says that all was seen and heard."""

    def __init__(self, outfit: Outfit) -> None:
        super().__init__("buzzer and lamp")
        self._buzzer, self._colours = outfit.buzzer, outfit.colours
        self._began_ns = 0
        self._shown: tuple[Rhythm | None, Lamp | None] | None = None

    @property
    def _sounds_from_ns(self) -> int:
        return self._began_ns + len(self._colours) * COLOUR_NS

    def begin(self, now_ns: int) -> list[Act]:
        """Show the first colour."""
        self._began_ns = now_ns
        return self._show(now_ns)

    def turn(self, now_ns: int, news: News) -> list[Act]:
        """Go on through the colours; wait for the press."""
        if news.failing:
            self._all(Result.FAILED, f"an output fails: {news.failing}")
        elif news.pressed and now_ns >= self._sounds_from_ns + PRESS_NOT_BEFORE_NS:
            self._all(Result.PASSED)
        elif now_ns >= self._until_ns:
            self._all(Result.FAILED, NOBODY)
            self.over = True
        else:
            return self._show(now_ns)
        return []

    def end(self) -> list[Act]:
        """Let buzzer and lamp say again what is so."""
        return [Calm()]

    @property
    def _until_ns(self) -> int:
        return self._sounds_from_ns + PRESS_NS

    def _show(self, now_ns: int) -> list[Act]:
        at = (now_ns - self._began_ns) // COLOUR_NS
        lamp = self._colours[at % len(self._colours)] if self._colours else None
        rhythm = Rhythm.HIGH if self._buzzer and now_ns >= self._sounds_from_ns else None
        if (rhythm, lamp) == self._shown:
            return []
        self._shown = (rhythm, lamp)
        return [Signal(rhythm, lamp, self._until_ns)]

    def _all(self, result: Result, why: str = "") -> None:
        self.outcomes += [Outcome(name, result, why) for name in signal_names(self._buzzer, self._colours)]


def signal_names(buzzer: bool, colours: Iterable[Lamp]) -> Sequence[str]:
    """Return the names of the steps that try these signals."""
    return [*(f"lamp {colour.value}" for colour in colours), *(["buzzer"] if buzzer else [])]
