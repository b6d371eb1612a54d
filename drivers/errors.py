"""The root of every error the project raises, and the leaves a driver may raise.

::

    QuietbenchError
    ├── DriverError                what the hardware side can go through
    │   ├── WireError (OSError)        check cable, adapter, power: nothing can be reached
    │   ├── AnswerError (ValueError)   wrong device or noise: something answered, but not this
    │   └── SetupError (ValueError)    fix the file: the device can never work as configured
    └── … the daemon's own leaves, in ``quietbench.daemon.errors``

``retryable`` tells a supervisor whether trying again without a person can help. ``reason`` is the closed-list
word that a sample carries when this error was the outcome of a poll.
"""

from __future__ import annotations

from typing import ClassVar

from quietbench.drivers.samples import Reason


class QuietbenchError(Exception):
    """Anything this project raises on purpose; the text says what, which, got and wanted."""

    retryable: ClassVar[bool] = False


class DriverError(QuietbenchError):
    """A device could not be opened or read; ``reason`` is what its samples say meanwhile."""

    retryable: ClassVar[bool] = True

    def __init__(self, text: str, *, reason: Reason) -> None:
        super().__init__(text)
        self.reason = reason


class WireError(DriverError, OSError):
    """Nothing can be reached: adapter unplugged, line held by another program, no answer in time."""

    def __init__(self, text: str, *, reason: Reason = Reason.UNPLUGGED) -> None:
        super().__init__(text, reason=reason)


class AnswerError(DriverError, ValueError):
    """Something answered, but not what was asked: bad check sum, short, an exception code, nonsense."""

    def __init__(self, text: str, *, reason: Reason = Reason.BAD_CHECKSUM) -> None:
        super().__init__(text, reason=reason)


class SetupError(DriverError, ValueError):
    """The device can never work as configured: a person has to change the file or the wiring."""

    retryable: ClassVar[bool] = False

    def __init__(self, text: str, *, reason: Reason = Reason.UNPLUGGED) -> None:
        super().__init__(text, reason=reason)
