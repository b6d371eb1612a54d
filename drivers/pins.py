"""The GPIO chip: the library's pin factory, built on purpose and by name.

Left alone, the GPIO library tries one backend after another and settles, with no more than a warning, for
whatever loads; and when the kernel's SPI can't be opened it clocks the bits by hand, which reads differently. A
watcher must not guess what it measures with. So the factory named in ``[gpio]`` is built here with its options
or the reason why not is an error that names factory and chip, and bit-banging instead of SPI is an error too.

Two habits of lgpio are dealt with at its import: it makes a FIFO in the working directory (two processes in one
directory clash, and an unwritable one fails), and given another folder by LG_WD it moves the whole process there.
It gets a private folder, and the process its own working directory back.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib.metadata
import os
import shutil
import sys
import tempfile
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, model_validator

from quietbench.drivers.errors import DriverError, SetupError, WireError

__all__ = ["GpioChip", "GpioSettings", "pin_factory_names", "pin_failures", "pin_fault"]

ENTRY_POINT_GROUP = "gpiozero_pin_factories"
_WITH_CHIP = "lgpio"
_WITH_ADDRESS = "quietbench-simulator"


class GpioSettings(BaseModel):
    """The ``[gpio]`` table: which pin factory drives the lines, with its options."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    factory: str = Field(
        min_length=1,
        description="Name in the entry-point group gpiozero_pin_factories: lgpio on a board, "
        "quietbench-simulator in front of simulated lines. There is no default and no fallback.",
    )
    chip: int | None = Field(
        default=None,
        ge=0,
        description="Number of the kernel's GPIO chip, for lgpio only: N of /dev/gpiochipN. "
        "Left out, the library takes the one of the header.",
    )
    address: str | None = Field(
        default=None,
        min_length=1,
        description="Unix socket of the simulated board, for quietbench-simulator only.",
    )

    @model_validator(mode="after")
    def _options_belong_to_the_factory(self) -> GpioSettings:
        if self.chip is not None and self.factory != _WITH_CHIP:
            raise ValueError(f"chip is an option of the factory {_WITH_CHIP}, got factory {self.factory!r}")
        if (self.address is None) != (self.factory != _WITH_ADDRESS):
            raise ValueError(
                f"address is needed by the factory {_WITH_ADDRESS} and by no other, got factory {self.factory!r}"
            )
        return self

    def where(self) -> str:
        """Name factory and chip, for people."""
        if self.factory == _WITH_CHIP:
            chip = "of the header" if self.chip is None else str(self.chip)
            return f"pin factory {self.factory}, GPIO chip {chip}"
        return f"pin factory {self.factory}" + (f" at {self.address}" if self.address else "")


class GpioChip:
    """The one pin factory of the process, opened at its first use; several bus threads may ask at once."""

    def __init__(self, settings: GpioSettings) -> None:
        self.settings = settings
        self._lock = threading.Lock()
        self._factory: Any = None

    @classmethod
    def around(cls, factory: Any) -> GpioChip:
        """Return a chip that uses a factory built elsewhere: the library's mock in the tests of a driver."""
        chip = cls(GpioSettings(factory=type(factory).__name__))
        chip._factory = factory
        chip._adopt(factory)
        return chip

    @property
    def where(self) -> str:
        """Get factory and chip, for people."""
        return self.settings.where()

    def factory(self) -> Any:
        """Return the pin factory, building it at the first call and after each `close`.

        Raises:
            WireError: the chip can't be opened now: driver not loaded, no rights, socket not there.
            SetupError: no such factory, not installed, or not for this machine.
        """
        with self._lock:
            if self._factory is None:
                self._factory = _build(self.settings)
                self._adopt(self._factory)
            return self._factory

    def close(self) -> None:
        """Let go of all lines; idempotent, never raises."""
        with self._lock:
            factory, self._factory = self._factory, None
            if factory is None:
                return
            with contextlib.suppress(*pin_failures()):
                factory.close()
            self._disown(factory)

    @staticmethod
    def _adopt(factory: Any) -> None:
        import gpiozero  # here and below on use only: `check` reads the settings without loading the library

        # The library's shared software SPI bus asks the class attribute, whatever factory it was given.
        gpiozero.Device.pin_factory = factory
        # For good, not within catch_warnings: that swaps process-wide state under the feet of other threads.
        warnings.simplefilter("error", gpiozero.SPISoftwareFallback)

    @staticmethod
    def _disown(factory: Any) -> None:
        import gpiozero

        if gpiozero.Device.pin_factory is factory:
            gpiozero.Device.pin_factory = None


def pin_factory_names() -> tuple[str, ...]:
    """Return the names that ``[gpio] factory`` may take on this machine."""
    return tuple(sorted({entry.name for entry in importlib.metadata.entry_points(group=ENTRY_POINT_GROUP)}))


def pin_failures() -> tuple[type[Exception], ...]:
    """Return what the GPIO library and its backends raise; lgpio's own error has no useful base class."""
    import gpiozero

    backend = sys.modules.get("lgpio")
    raised = (OSError, gpiozero.GPIOZeroError, gpiozero.SPISoftwareFallback)
    return (*raised, backend.error) if backend else raised


def pin_fault(failure: Exception, what: str, where: str) -> DriverError:
    """Turn a failure of the GPIO library into an error that says what to do.

    Args:
        failure: one of `pin_failures`.
        what: what was reached for: "GPIO line 22".
        where: factory and chip.
    """
    import gpiozero

    if isinstance(failure, DriverError):
        return failure  # a factory that knows this project's words
    text = _text(failure)
    if isinstance(failure, gpiozero.GPIOPinInUse):
        return SetupError(f"{what} ({where}): {text}; a line serves one device, choose another")
    if isinstance(failure, gpiozero.GPIOZeroError) and isinstance(failure, (ValueError, AttributeError)):
        return SetupError(f"{what} ({where}): {text}")
    if "busy" in text.lower():
        return WireError(
            f"{what} ({where}) is held by another program or a kernel driver: {text}; `gpioinfo` names the holder"
        )
    return WireError(f"{what} ({where}): {text}")


def _build(settings: GpioSettings) -> Any:
    factory_class = _load(settings)
    options = {"chip": settings.chip, "address": settings.address}
    given = {key: value for key, value in options.items() if value is not None}
    try:
        factory = factory_class(**given)
    except TypeError as failure:
        raise SetupError(f"{settings.where()} can't be built: {failure}") from failure
    except pin_failures() as failure:
        raise _unbuildable(failure, settings) from failure
    try:
        _ = factory.board_info  # the table of lines; fails here rather than at the first line
    except pin_failures() as failure:
        with contextlib.suppress(*pin_failures()):
            factory.close()
        raise _unbuildable(failure, settings) from failure
    return factory


def _load(settings: GpioSettings) -> Any:
    entries = importlib.metadata.entry_points(group=ENTRY_POINT_GROUP, name=settings.factory)
    if not entries:
        raise SetupError(
            f"[gpio] factory: got {settings.factory!r}, wanted one of {', '.join(pin_factory_names())}"
        )
    try:
        with _own_folder_for_lgpio() if settings.factory == _WITH_CHIP else contextlib.nullcontext():
            return next(iter(entries)).load()
    except (ImportError, AttributeError, OSError) as failure:
        raise SetupError(
            f"{settings.where()} can't be loaded: {failure}; is its package installed?"
        ) from failure


def _unbuildable(failure: Exception, settings: GpioSettings) -> DriverError:
    import gpiozero

    if isinstance(failure, DriverError):
        return failure
    text = _text(failure)
    if isinstance(failure, gpiozero.PinUnknownPi):
        return SetupError(
            f"{settings.where()}: this machine is not a board that the GPIO library knows: {text}"
        )
    if isinstance(failure, (ValueError, ImportError)):
        return SetupError(f"{settings.where()} can't be built: {text}")
    hint = (
        f"is /dev/gpiochip{'N' if settings.chip is None else settings.chip} there, and may this user open it?"
        if settings.factory == _WITH_CHIP
        else "is it running?"
    )
    return WireError(f"{settings.where()} can't be opened: {text}; {hint}")


def _text(failure: Exception) -> str:
    return str(failure).strip("'\"") or type(failure).__name__  # lgpio quotes its texts


@contextlib.contextmanager
def _own_folder_for_lgpio() -> Iterator[None]:
    if "lgpio" in sys.modules:
        yield
        return
    if "LG_WD" not in os.environ:
        os.environ["LG_WD"] = _private_folder()
    here = os.open(".", os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield
    finally:
        os.fchdir(here)
        os.close(here)


def _private_folder() -> str:
    # Under systemd RUNTIME_DIRECTORY (a colon-separated list) is writable and goes with the service.
    runtime = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    usable = bool(runtime) and os.access(runtime, os.W_OK)
    folder = tempfile.mkdtemp(prefix="lgpio-", dir=runtime if usable else None)
    atexit.register(shutil.rmtree, Path(folder), ignore_errors=True)
    return folder
