"""Drivers by entry point."""

from __future__ import annotations

import importlib.metadata
import subprocess
import sys
import types
from collections.abc import Callable
from typing import Any

import pytest

from quietbench.drivers.adc import AdcDriver
from quietbench.drivers.api import ListeningDriver, PolledDriver
from quietbench.drivers.contact import ContactDriver
from quietbench.drivers.discovery import driver_names, find_drivers, load_driver
from quietbench.drivers.errors import SetupError
from quietbench.drivers.modbus import ModbusDriver

BUILT_IN = {"contact", "adc", "modbus"}
POLLED: tuple[type[PolledDriver], ...] = (ContactDriver, AdcDriver, ModbusDriver)
LISTENING: type[ListeningDriver] = ContactDriver
GOOD = ("good", "quietbench.drivers.contact:ContactDriver")

Offer = Callable[..., None]


@pytest.fixture
def offer(monkeypatch: pytest.MonkeyPatch) -> Offer:
    """Put entries into the group, and nothing else."""

    def offering(*entries: tuple[str, str], **modules: Any) -> None:
        for name, module in modules.items():
            monkeypatch.setitem(sys.modules, name, module)
        group = "quietbench.drivers"
        points = importlib.metadata.EntryPoints(
            importlib.metadata.EntryPoint(n, v, group) for n, v in entries
        )
        monkeypatch.setattr(importlib.metadata, "entry_points", lambda **wanted: points.select(**wanted))

    return offering


def test_the_built_in_drivers_are_found_like_all_others() -> None:
    """By entry point, without an error."""
    found = find_drivers()
    assert set(found) >= BUILT_IN
    assert all(found[name].error is None and found[name].driver is not None for name in BUILT_IN)
    assert found["contact"].driver is ContactDriver
    assert found["contact"].package == "quietbench"
    assert list(found) == sorted(found)


def test_the_classes_have_the_protocol_s_face() -> None:
    """The type checker sees more; this is what stands at run time."""
    assert {load_driver(name) for name in BUILT_IN} == set(POLLED)
    assert callable(LISTENING.listen)


def test_a_driver_is_loaded_by_name() -> None:
    """The class itself."""
    assert load_driver("contact") is ContactDriver


def test_an_unknown_name_gets_the_nearest_and_all_the_others() -> None:
    """Got, wanted, and a guess."""
    with pytest.raises(
        SetupError, match=r"got driver 'contct', wanted one of .*modbus.*; did you mean 'contact'\?"
    ):
        load_driver("contct")


class Exploding(types.ModuleType):
    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):
            raise AttributeError(name)
        raise ZeroDivisionError("in its own code")


@pytest.mark.parametrize(
    ("target", "told"),
    [
        ("no_such_package:Driver", "can't be imported: ModuleNotFoundError"),
        ("quietbench.drivers.contact:NoSuch", "can't be imported: AttributeError"),
        ("exploding_driver:Driver", "can't be imported: ZeroDivisionError: in its own code"),
        ("quietbench.drivers.samples:Sample", "is no driver: method open is missing"),
        ("quietbench.drivers.samples:enum", "wanted a class"),
    ],
)
def test_what_fails_is_named_and_harms_no_other(offer: Offer, target: str, told: str) -> None:
    """Each failure carries its driver's name and its reason."""
    offer(("bad", target), GOOD, exploding_driver=Exploding("exploding_driver"))
    found = find_drivers()
    assert found["good"].driver is ContactDriver
    assert found["bad"].driver is None
    assert told in str(found["bad"].error)
    assert "'bad'" in str(found["bad"].error)
    with pytest.raises(SetupError, match="driver 'bad'"):
        load_driver("bad")


def test_a_name_that_two_packages_offer_is_an_error(offer: Offer) -> None:
    """Nobody's choice is silently overruled."""
    offer(GOOD, ("good", "elsewhere:Driver"))
    with pytest.raises(SetupError, match="offered by more than one package"):
        load_driver("good")


def test_the_same_package_seen_twice_is_one(offer: Offer) -> None:
    """Editable and installed, on one path."""
    offer(GOOD, GOOD)
    assert load_driver("good") is ContactDriver
    assert driver_names() == ("good",)


@pytest.mark.slow
def test_reading_contacts_loads_no_modbus_and_no_serial_protocol() -> None:
    """A watcher pays for the libraries of its own drivers only."""
    code = (
        "import sys; from quietbench.drivers.discovery import load_driver; load_driver('contact');"
        "print([name for name in ('pymodbus', 'lgpio', 'gpiozero') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
