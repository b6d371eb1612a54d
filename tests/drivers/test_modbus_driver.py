"""The Modbus driver against a device behind a pseudo-terminal."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import ValidationError

from quietbench.drivers.api import Sample
from quietbench.drivers.buses import open_bus
from quietbench.drivers.errors import AnswerError, SetupError, WireError
from quietbench.drivers.modbus import ModbusDriver, ModbusOptions
from quietbench.drivers.modbus.line import pause_ns
from quietbench.drivers.samples import Reason
from quietbench.drivers.serial_port import SerialBusSettings
from quietbench.drivers.testing import PtyPort, Turn
from tests.drivers.rigs import CLIMATE, ModbusDevice, ModbusRig

FAR_APART = {
    "first": {"table": "input", "register": 0, "type": "uint16"},
    "tenth": {"table": "input", "register": 10, "type": "uint16"},
}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[ModbusRig]:
    made = ModbusRig(tmp_path, deadline_s=0.1)
    yield made
    made.close()


def raws(samples: object) -> dict[str, object]:
    return {sample.point: sample.raw for sample in samples if isinstance(sample, Sample)}  # type: ignore[attr-defined]


def test_neighbouring_points_come_from_one_request(rig: ModbusRig) -> None:
    """Two registers, one block read, function 4."""
    rig.device.values = {0: 470, 1: 0x10000 - 55}
    assert raws(rig.driver().read()) == {"relative_humidity": 470, "air_temperature": -55}
    assert rig.device.requests == [(4, 0, 2)]


def test_types_and_word_orders_reach_the_registers(rig: ModbusRig) -> None:
    """Floats, long integers and both tables in one poll."""
    rig.device.values = {0: 0x4248, 1: 0, 2: 2, 3: 1}
    points = {
        "humidity": {"table": "holding", "register": 0, "type": "float32"},
        "counter": {"table": "holding", "register": 2, "type": "uint32", "word_order": "little"},
        "state": {"table": "input", "register": 5},
    }
    assert raws(rig.driver(points).read()) == {"humidity": 50.0, "counter": 65538, "state": 1005}
    assert rig.device.requests == [(3, 0, 4), (4, 5, 1)]


@pytest.mark.parametrize("words", [(0x7FC0, 0), (0x7F80, 0)])
def test_a_float_that_is_no_number_is_a_sample_without_value(rig: ModbusRig, words: tuple[int, int]) -> None:
    """Not a number and infinity: devices say so that their sensor failed."""
    rig.device.values = dict(enumerate(words))
    (sample,) = rig.driver({"humidity": {"table": "input", "register": 0, "type": "float32"}}).read()
    assert sample.raw is None
    assert sample.reason is Reason.OUT_OF_SPAN


def test_a_refusal_is_told_and_leaves_the_line_usable(rig: ModbusRig) -> None:
    """REFUSED, at once, and the next read doesn't wait."""
    driver = rig.driver(deadline_s=2.0)
    rig.behave("refused")
    with pytest.raises(AnswerError, match="illegal address") as caught:
        driver.read()
    assert caught.value.reason is Reason.REFUSED
    rig.behave("well")
    begun = time.monotonic()
    driver.read()
    assert time.monotonic() - begun < 1.0


def test_a_short_answer_is_an_error(rig: ModbusRig) -> None:
    """Fewer registers than asked."""
    rig.behave("short")
    with pytest.raises(AnswerError, match="got 1 registers, wanted 2"):
        rig.driver().read()


def test_noise_before_the_answer_does_no_harm(rig: ModbusRig) -> None:
    """The frame behind it is found."""
    rig.behave("noise_first")
    assert raws(rig.driver().read()) == {"relative_humidity": 1000, "air_temperature": 1001}


@pytest.mark.slow
def test_a_late_answer_is_never_taken_for_another_s(rig: ModbusRig) -> None:
    """The answer to register 0 comes late, while registers of the same count are asked: it is thrown away."""
    driver = rig.driver(FAR_APART, bridge_registers=0)
    for _ in range(2):
        rig.behave("late")
        with pytest.raises(WireError):
            driver.read()
        rig.behave("well")
        tenth = rig.driver({"tenth": FAR_APART["tenth"]})
        assert raws(tenth.read()) == {"tenth": 1010}
        assert raws(driver.read()) == {"first": 1000, "tenth": 1010}


@pytest.mark.slow
def test_a_late_answer_that_waits_in_the_buffer_is_thrown_away(rig: ModbusRig) -> None:
    """It came long ago, between two polls, and is still not the answer to the next request."""
    driver = rig.driver({"first": FAR_APART["first"]})
    rig.behave("late")
    with pytest.raises(WireError):
        driver.read()
    time.sleep(0.2)
    rig.behave("well")
    assert raws(rig.driver({"tenth": FAR_APART["tenth"]}).read()) == {"tenth": 1010}


@pytest.mark.slow
def test_a_slow_device_is_called_late(rig: ModbusRig) -> None:
    """From the second miss on; a good answer clears it."""
    driver = rig.driver()
    rig.behave("late")
    reasons = []
    for _ in range(2):
        with pytest.raises(WireError) as caught:
            driver.read()
        reasons.append(caught.value.reason)
    assert reasons == [Reason.SILENT, Reason.LATE]
    rig.behave("well")
    driver.read()
    rig.behave("silent")
    with pytest.raises(WireError) as caught:
        driver.read()
    assert caught.value.reason is Reason.SILENT


@pytest.mark.slow
def test_an_absent_device_does_not_spoil_its_neighbour(rig: ModbusRig) -> None:
    """Two addresses on one line: one is dead, the other is read after each of its misses."""
    dead = rig.driver(address=9)
    alive = rig.driver()
    for _ in range(2):
        with pytest.raises(WireError, match="address 9"):
            dead.read()
        assert raws(alive.read()) == {"relative_humidity": 1000, "air_temperature": 1001}


@pytest.mark.slow
def test_a_device_that_never_stops_talking_does_not_hold_the_bus(tmp_path: Path) -> None:
    """Each poll ends: the silence after a failure is waited for, but not for ever."""
    port = PtyPort(tmp_path / "air", lambda _: [Turn(0.02 * place, b"talk") for place in range(100)])
    bus = open_bus("air", SerialBusSettings(kind="serial", port=port.link))
    driver = ModbusDriver(
        ModbusOptions.model_validate({"address": 1, "points": CLIMATE, "deadline_s": 0.1}), bus
    )
    try:
        begun = time.monotonic()
        for _ in range(2):
            with pytest.raises(AnswerError, match="no whole answer among them"):
                driver.read()
        assert time.monotonic() - begun < 1.0
    finally:
        bus.close()
        port.close()


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_a_step_of_the_wall_clock_holds_nobody(
    rig: ModbusRig, monkeypatch: pytest.MonkeyPatch, step_s: float
) -> None:
    """The wall clock steps by an hour in mid-wait, and the deadline comes all the same."""
    driver = rig.driver()
    driver.open()
    rig.behave("silent")
    real, calls = time.time, iter([0.0])
    monkeypatch.setattr(time, "time", lambda: real() + next(calls, step_s))
    begun = time.monotonic()
    with pytest.raises(WireError) as caught:
        driver.read()
    assert caught.value.reason is Reason.SILENT
    assert 0.09 < time.monotonic() - begun < 1.0


def test_unplugged_in_mid_answer_and_found_again_by_path(rig: ModbusRig) -> None:
    """The adapter goes while an answer trickles in, and comes back as another device under the same link."""
    driver = rig.driver()
    driver.read()
    rig.behave("half")
    with pytest.raises(AnswerError):
        driver.read()
    rig.unplug()
    for _ in range(2):
        with pytest.raises(WireError) as caught:
            driver.read()
        assert caught.value.reason is Reason.UNPLUGGED
    rig.replug()
    rig.behave("well")
    assert raws(driver.read()) == {"relative_humidity": 1000, "air_temperature": 1001}


def test_an_echoing_adapter_is_heard_through(tmp_path: Path) -> None:
    """With echo = true our own bytes are taken off."""
    rig = ModbusRig(tmp_path, deadline_s=0.05, echo=True)
    try:
        rig.behave("echo")
        assert raws(rig.driver().read()) == {"relative_humidity": 1000, "air_temperature": 1001}
        rig.behave("silent")
        with pytest.raises(WireError, match="our own bytes did not come back"):
            rig.driver().read()
    finally:
        rig.close()


def test_an_unexpected_echo_is_named(rig: ModbusRig) -> None:
    """Only our own bytes came back: silence, and a hint."""
    rig.behave("echo_alone")
    with pytest.raises(WireError, match="set echo = true") as caught:
        rig.driver().read()
    assert caught.value.reason is Reason.SILENT


def test_frames_are_kept_apart(tmp_path: Path) -> None:
    """Between an answer and the next request the line rests for three and a half characters."""
    heard: list[float] = []
    device = ModbusDevice()

    def answer(data: bytes) -> object:
        heard.append(time.monotonic())
        return device.answer(data)

    port = PtyPort(tmp_path / "air", answer)  # type: ignore[arg-type]
    settings = SerialBusSettings.model_validate({"kind": "serial", "port": port.link, "baud_rate": 300})
    bus = open_bus("air", settings)
    try:
        options = ModbusOptions.model_validate({"address": 1, "points": FAR_APART, "bridge_registers": 0})
        ModbusDriver(options, bus).read()
    finally:
        bus.close()
        port.close()
    assert heard[1] - heard[0] >= pause_ns(settings) / 1e9 > 0.1


@pytest.mark.parametrize(
    ("baud_rate", "parity", "expected_ns"),
    [(9600, "none", 3_645_833), (9600, "even", 4_010_417), (115200, "none", 1_750_000)],
)
def test_the_silence_follows_the_specification(baud_rate: int, parity: str, expected_ns: int) -> None:
    """3.5 characters of 10 or 11 bits up to 19200 baud, 1.75 ms above."""
    keys = {"kind": "serial", "port": "x", "baud_rate": baud_rate, "parity": parity}
    assert pause_ns(SerialBusSettings.model_validate(keys)) == expected_ns


def test_another_protocol_on_the_bus_is_a_setup_error(rig: ModbusRig) -> None:
    """One port, one protocol."""
    rig.bus.shared(lambda settings: object())
    with pytest.raises(SetupError, match="another protocol"):
        rig.driver().open()


def test_a_bus_of_another_kind_is_a_setup_error() -> None:
    """A missing or wrong bus can't be helped by trying again."""
    driver = ModbusDriver(ModbusOptions.model_validate({"address": 1, "points": CLIMATE}), None)
    with pytest.raises(SetupError, match="wanted 'serial'"):
        driver.open()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"address": 0}, "greater than or equal to 1"),
        ({"address": 248}, "less than or equal to 247"),
        ({"points": {}}, "at least 1"),
        ({"points": {"Bad Name": CLIMATE["relative_humidity"]}}, "pattern"),
        ({"points": {"x": {"table": "coil", "register": 0}}}, "'input' or 'holding'"),
        (
            {"points": {"x": {"table": "input", "register": 65535, "type": "uint32"}}},
            "ends past the last register 65535",
        ),
        ({"points": {"x": {"table": "input", "register": 0, "typ": "uint32"}}}, "Extra inputs"),
        ({"deadline_s": 0}, "greater than 0"),
    ],
)
def test_mistakes_in_the_options_are_told(change: dict[str, object], told: str) -> None:
    """Each mistake is one message."""
    with pytest.raises(ValidationError, match=told):
        ModbusOptions.model_validate({"address": 1, "points": CLIMATE, **change})
