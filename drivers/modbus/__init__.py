"""Registers of a Modbus RTU device on a serial port.

The parts: `registers` and `blocks` are pure (words to numbers, points to requests), `frames` is the one place that
knows the Modbus library, `line` owns the port and its silences, `driver` joins them.

**Why the library's codec and not its client.** The synchronous client waits by the wall clock, so a step back
of an hour holds a bus thread for an hour; it takes a late answer for the answer to the next request; fewer
registers than asked are no error; silence and garbage end in one exception; and what pyserial raises when an
adapter is pulled out gets past it. Each could be patched from outside, but together they are the client. Its
frames and messages are sound and are used; the exchange around them is `line`, with one monotonic deadline.
"""

from quietbench.drivers.modbus.driver import ModbusDriver, ModbusOptions, ModbusPoint

__all__ = ["ModbusDriver", "ModbusOptions", "ModbusPoint"]
