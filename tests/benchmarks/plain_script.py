"""What one writes in an afternoon: poll the sensors, check a threshold, publish and store each reading.

``python -m tests.benchmarks.plain_script BOARD_SOCKET SERIAL_PORT MQTT_PORT DATABASE_URL SECONDS`` polls the load
at its rhythm, or as fast as it can where that is too much for it, and prints, as JSON, the processor time and the
number of readings. It has no store, no alarm states, no uncertainty and no patience with a broker that is away:
it is the measure of cost, and of nothing else.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable

import gpiozero
import paho.mqtt.client as mqtt
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write.point import Point
from influxdb_client.client.write_api import SYNCHRONOUS
from paho.mqtt.enums import CallbackAPIVersion
from pymodbus.client import ModbusSerialClient

from quietbench.simulators.pinfactory import SimulatedPinFactory
from tests.benchmarks import load

Reading = tuple[str, float]

_FULL_SCALE, _SERIES_OHM, _MOST_OHM = 4096, 1e7, 1e9


class Sensors:
    """The load's sensors, each read in the way its library's first page shows."""

    def __init__(self, address: str, port: str) -> None:
        self.factory = SimulatedPinFactory(address)
        gpiozero.Device.pin_factory = self.factory
        self._lines = {line: gpiozero.InputDevice(line) for line in sorted(set(load.CONTACT_LINES))}
        self._inputs = [
            gpiozero.MCP3208(channel=number, device=select)
            for select, numbers in load.ADC_INPUTS
            for number in numbers
        ]
        self._line = ModbusSerialClient(port, baudrate=load.BAUD_RATE, timeout=0.5)
        self._line.connect()
        self.lamp = gpiozero.LED(load.BUZZER_LINE)

    def read(self) -> list[Reading]:
        """Read everything once."""
        contacts = [
            (f"contact_{number}", float(self._lines[line].value))
            for number, line in enumerate(load.CONTACT_LINES)
        ]
        mats = [(f"mat_{number}", self._ohm(one.raw_value)) for number, one in enumerate(self._inputs)]
        return (
            contacts
            + mats
            + [reading for address in load.MODBUS_ADDRESSES for reading in self._climate(address)]
        )

    def _climate(self, address: int) -> list[Reading]:
        answer = self._line.read_input_registers(0, count=load.REGISTERS, device_id=address)
        return [(f"climate_{address}_{number}", raw / 10) for number, raw in enumerate(answer.registers)]

    def close(self) -> None:
        """Let go."""
        self._line.close()  # type: ignore[no-untyped-call]
        self.factory.close()

    @staticmethod
    def _ohm(raw: int) -> float:
        return _SERIES_OHM * raw / (_FULL_SCALE - raw)


def main(address: str, port: str, mqtt_port: int, url: str, seconds: float) -> None:
    """Poll for so many seconds and say what it cost."""
    sensors = Sensors(address, port)
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", mqtt_port)
    client.loop_start()
    database = InfluxDBClient(url, token="", org="")
    write = database.write_api(write_options=SYNCHRONOUS)

    def hand_on(name: str, value: float) -> None:
        body = json.dumps({"channel": name, "value": value, "time": time.time()})
        client.publish(f"plain/{name}", body, qos=1)
        point = Point("reading").tag("channel", name).field("value", value)  # type: ignore[no-untyped-call]
        write.write("benches", "", point)

    readings, cpu_s = _poll(sensors, hand_on, seconds)
    print(json.dumps({"cpu_s": cpu_s, "readings": readings}))
    client.disconnect()
    client.loop_stop()
    database.close()  # type: ignore[no-untyped-call]
    sensors.close()


def _poll(sensors: Sensors, hand_on: Callable[[str, float], None], seconds: float) -> tuple[int, float]:
    readings, began_cpu_s = 0, time.process_time()
    next_s = end_s = time.monotonic()
    end_s += seconds
    while next_s < end_s:
        for name, value in sensors.read():
            sensors.lamp.value = value > _MOST_OHM
            hand_on(name, value)
            readings += 1
        next_s = max(next_s + load.EVERY_S, time.monotonic())
        time.sleep(max(0.0, next_s - time.monotonic()))
    return readings, time.process_time() - began_cpu_s


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4], float(sys.argv[5]))
