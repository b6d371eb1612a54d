"""What every test of a driver starts from."""

from __future__ import annotations

from collections.abc import Iterator

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory


@pytest.fixture(autouse=True)
def _no_pin_factory(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The GPIO library has no pin factory before a test and none of the test's after it."""
    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    yield
    MockFactory().reset()
