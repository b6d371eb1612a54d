"""The pin factory is built on purpose, or the error says why not."""

from __future__ import annotations

import importlib.metadata
import importlib.util
import os
import subprocess
import sys
import textwrap
import threading
import types
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory
from pydantic import ValidationError

from quietbench.drivers.errors import DriverError, SetupError, WireError
from quietbench.drivers.pins import GpioChip, GpioSettings, pin_factory_names, pin_failures, pin_fault

MODULE = "tests_drivers_pin_factories"


@pytest.fixture
def offer(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, Any], None]:
    """Put a factory into the entry-point group under a name, and nothing else."""

    def offering(name: str, factory: Any) -> None:
        monkeypatch.setitem(sys.modules, MODULE, types.SimpleNamespace(factory=factory))
        entry = importlib.metadata.EntryPoint(name, f"{MODULE}:factory", "gpiozero_pin_factories")
        entries = importlib.metadata.EntryPoints([entry])
        monkeypatch.setattr(importlib.metadata, "entry_points", lambda **wanted: entries.select(**wanted))

    return offering


def test_the_named_factory_becomes_the_library_s_own(offer: Callable[[str, Any], None]) -> None:
    """Built with its options, once, and set as Device.pin_factory; closed, it is gone from there."""
    made: list[Any] = []

    class Factory(MockFactory):  # type: ignore[misc]
        def __init__(self, address: str) -> None:
            super().__init__()
            made.append((self, address))

    offer("quietbench-simulator", Factory)
    chip = GpioChip(GpioSettings(factory="quietbench-simulator", address="/run/board.sock"))
    assert made == []
    assert chip.factory() is chip.factory()
    assert [address for _, address in made] == ["/run/board.sock"]
    assert gpiozero.Device.pin_factory is chip.factory()
    chip.close()
    chip.close()
    assert gpiozero.Device.pin_factory is None


def test_several_threads_get_the_same_factory(offer: Callable[[str, Any], None]) -> None:
    """Bus threads start at the same time."""
    slow = threading.Barrier(4)
    offer("mock", MockFactory)
    chip = GpioChip(GpioSettings(factory="mock"))
    got: list[Any] = []

    def ask() -> None:
        slow.wait()
        got.append(chip.factory())

    threads = [threading.Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({id(factory) for factory in got}) == 1


def test_a_failing_factory_is_an_error_and_never_another_factory(offer: Callable[[str, Any], None]) -> None:
    """The library by itself would go on to the next backend with a warning."""

    def fail(chip: int) -> None:
        raise OSError(f"can not open gpiochip {chip}")

    offer("lgpio", fail)
    chip = GpioChip(GpioSettings(factory="lgpio", chip=3))
    with pytest.raises(WireError, match=r"pin factory lgpio, GPIO chip 3 can't be opened.*/dev/gpiochip3"):
        chip.factory()
    assert gpiozero.Device.pin_factory is None


def test_an_error_without_a_useful_base_class_is_caught(
    offer: Callable[[str, Any], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """lgpio.error is a plain Exception whose text comes in quotes."""

    class LgpioError(Exception):
        def __str__(self) -> str:
            return repr("can not open gpiochip")

    def fail(**_: object) -> None:
        raise LgpioError

    monkeypatch.setitem(sys.modules, "lgpio", types.SimpleNamespace(error=LgpioError))
    offer("lgpio", fail)
    with pytest.raises(WireError, match="can't be opened: can not open gpiochip;"):
        GpioChip(GpioSettings(factory="lgpio")).factory()


def test_a_machine_that_is_no_board_is_a_setup_error(offer: Callable[[str, Any], None]) -> None:
    """Told when the factory is built, not at the first line; the chip is let go."""
    closed = []

    class Factory(MockFactory):  # type: ignore[misc]
        def _get_board_info(self) -> None:
            raise gpiozero.PinUnknownPi("unable to locate Pi revision")

        def close(self) -> None:
            closed.append(True)

    offer("lgpio", Factory)
    with pytest.raises(SetupError, match="not a board that the GPIO library knows"):
        GpioChip(GpioSettings(factory="lgpio")).factory()
    assert closed == [True]


def test_a_factory_s_own_wire_error_passes_unchanged(offer: Callable[[str, Any], None]) -> None:
    """A factory that knows this project's words has said all there is to say."""

    def fail(address: str) -> None:
        raise WireError(f"simulated board: nobody listens at {address}")

    offer("quietbench-simulator", fail)
    with pytest.raises(WireError, match=r"^simulated board: nobody listens at x$"):
        GpioChip(GpioSettings(factory="quietbench-simulator", address="x")).factory()


def test_an_unknown_factory_names_the_known_ones() -> None:
    """Got and wanted."""
    with pytest.raises(SetupError, match=r"got 'lgpi', wanted one of .*lgpio"):
        GpioChip(GpioSettings(factory="lgpi")).factory()
    assert "quietbench-simulator" in pin_factory_names()


def test_a_factory_that_takes_no_such_option_is_a_setup_error(offer: Callable[[str, Any], None]) -> None:
    """TypeError of the constructor."""
    offer("lgpio", lambda: None)
    with pytest.raises(SetupError, match="can't be built"):
        GpioChip(GpioSettings(factory="lgpio", chip=0)).factory()


def test_a_factory_that_is_not_installed_is_a_setup_error(
    offer: Callable[[str, Any], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its module is missing."""
    offer("lgpio", None)
    monkeypatch.delitem(sys.modules, MODULE)
    monkeypatch.setitem(sys.modules, "lgpio", types.SimpleNamespace(error=KeyError))
    with pytest.raises(SetupError, match="is its package installed"):
        GpioChip(GpioSettings(factory="lgpio")).factory()


def test_software_spi_is_an_error_once_a_chip_is_open() -> None:
    """The library only warns; and the filter stays, for other threads may open SPI later."""
    GpioChip.around(MockFactory())
    with pytest.raises(gpiozero.SPISoftwareFallback):
        warnings.warn(gpiozero.SPISoftwareFallback("falling back"), stacklevel=1)


@pytest.mark.parametrize(
    ("failure", "kind", "told"),
    [
        (OSError("'GPIO busy'"), WireError, "GPIO line 22 .* is held by another program or a kernel driver"),
        (gpiozero.GPIOPinInUse("pin GPIO22 is already in use"), SetupError, "a line serves one device"),
        (gpiozero.PinFixedPull("GPIO2 has a physical pull-up"), SetupError, "physical pull-up"),
        (gpiozero.PinInvalidPin("99 is not a valid pin name"), SetupError, "not a valid pin"),
        (OSError(19, "No such device"), WireError, "No such device"),
        (gpiozero.GPIOZeroError(), WireError, "GPIOZeroError"),
    ],
)
def test_failures_of_a_line_say_which_and_what_to_do(
    failure: Exception, kind: type[DriverError], told: str
) -> None:
    """Busy is for later; wrong wiring in the file is for a person."""
    assert isinstance(failure, pin_failures())
    fault = pin_fault(failure, "GPIO line 22", "pin factory lgpio, GPIO chip 0")
    assert type(fault) is kind
    with pytest.raises(kind, match=told):
        raise fault


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        ({}, "Field required"),
        ({"factory": ""}, "at least 1"),
        ({"factory": "lgpio", "chip": -1}, "greater than or equal to 0"),
        ({"factory": "lgpio", "address": "x"}, "address is needed by the factory quietbench-simulator"),
        ({"factory": "quietbench-simulator"}, "address is needed"),
        (
            {"factory": "quietbench-simulator", "address": "x", "chip": 0},
            "chip is an option of the factory lgpio",
        ),
        ({"factory": "lgpio", "chips": 0}, "Extra inputs"),
    ],
)
def test_mistakes_in_the_table_are_told(keys: dict[str, object], told: str) -> None:
    """Each mistake is one message."""
    with pytest.raises(ValidationError, match=told):
        GpioSettings.model_validate(keys)


IMPORTING = """
    import os
    from quietbench.drivers.errors import DriverError
    from quietbench.drivers.pins import GpioChip, GpioSettings
    here = os.getcwd()
    try:
        GpioChip(GpioSettings(factory="lgpio", chip=98)).factory()
    except DriverError as failure:
        print(type(failure).__name__, failure)
    assert os.getcwd() == here, os.getcwd()
    assert os.listdir(".") == [], os.listdir(".")
    folder = os.environ["LG_WD"]
    assert any(name.startswith(".lgd-nfy") for name in os.listdir(folder)), os.listdir(folder)
    print(folder)
"""


@pytest.mark.slow
@pytest.mark.parametrize("runtime", [True, False])
def test_lgpio_s_fifo_is_made_in_a_private_folder(tmp_path: Path, runtime: bool) -> None:
    """Not in the working directory, which stays what it was; and the folder goes with the process."""
    if importlib.util.find_spec("lgpio") is None:
        pytest.skip("lgpio is not installed")
    (tmp_path / "cwd").mkdir()
    (tmp_path / "run").mkdir()
    hidden = ("LG_WD", "RUNTIME_DIRECTORY")
    environment = {key: value for key, value in os.environ.items() if key not in hidden}
    environment |= (
        {"RUNTIME_DIRECTORY": f"{tmp_path / 'run'}:/elsewhere"} if runtime else {"TMPDIR": str(tmp_path)}
    )

    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(IMPORTING)],
        cwd=tmp_path / "cwd",
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0, done.stderr
    told, folder = done.stdout.splitlines()
    assert told.startswith("WireError pin factory lgpio, GPIO chip 98 can't be opened")
    assert Path(folder).parent == (tmp_path / "run" if runtime else tmp_path)
    assert not Path(folder).exists()
