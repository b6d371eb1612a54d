"""The tables of channels: what is measured, by which device, and how a raw value becomes a number."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import AfterValidator, ConfigDict, Field

from quietbench.daemon.settings.fields import Delay, OneLine, Period, Table, refuse
from quietbench.daemon.settings.limits import LimitName, LimitTable, PriorityWord, QuantityName

__all__ = [
    "BY_HAND",
    "ChannelTable",
    "ContactTable",
    "ConversionTable",
    "DividerTable",
    "LinearTable",
]

BY_HAND = frozenset({"footwear_resistance"})
"""Quantities that a person may measure and enter, without any device: their channels need no source."""

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Tolerance = Annotated[float, Field(ge=0, lt=1)]


class ContactTable(Table):
    """A contact: raw 1 is closed or present, 0 open or absent."""

    kind: Literal["contact"] = "contact"


class DividerTable(Table):
    """The lower half of a divider, read by a converter behind a buffer."""

    kind: Literal["divider"]
    series_ohm: Positive = Field(description="Resistor between excitation and the path (ohm).")
    series_tolerance: Tolerance = Field(0.01, description="Its relative tolerance, half-width.")
    excitation_v: Positive = Field(3.3, description="Voltage at the far end of the series resistor (V).")
    excitation_tolerance: Tolerance = Field(
        0.0,
        description="Relative tolerance of excitation against the reference; 0 when they are the same voltage.",
    )
    reference_v: Positive = Field(3.3, description="The converter's reference (V).")
    full_scale: Annotated[int, Field(ge=2, le=1 << 24)] = Field(4096, description="Counts at the reference.")
    leakage_a: NotNegative = Field(description="Worst case of buffer and clamps together, either sign (A).")
    offset_lsb: NotNegative = Field(3.0, description="Offset error, half-width (counts).")
    nonlinearity_lsb: NotNegative = Field(1.0, description="Integral nonlinearity, half-width (counts).")
    noise_lsb: NotNegative = Field(0.5, description="Noise, standard deviation (counts).")


def _is_slope(scale: float) -> float:
    if scale:
        return scale
    raise refuse("a scale of nothing", wanted="a number other than 0")


class LinearTable(Table):
    """A sensor whose raw value is a straight line of its quantity: value = raw * scale + offset, in `unit`."""

    kind: Literal["linear"]
    scale: Annotated[float, AfterValidator(_is_slope)] = Field(description="`unit` per raw step.")
    offset: float = Field(0.0, description="Value at raw 0, in `unit`.")
    unit: str = Field(description="Unit of all numbers of this table.")
    u: Positive = Field(description="Standard uncertainty by data sheet or certificate, in `unit`.")
    low: float | None = Field(None, description="Lower end of the sensor's span, in `unit`.")
    high: float | None = Field(None, description="Upper end of the sensor's span, in `unit`.")


ConversionTable = Annotated[ContactTable | DividerTable | LinearTable, Field(discriminator="kind")]


_NEEDS_SOURCE = {
    "if": {"properties": {"quantity": {"not": {"enum": sorted(BY_HAND)}}}},
    "then": {"required": ["source"]},
}


class ChannelTable(Table):
    """One quantity at one place."""

    # json_schema_extra is typed for what JSON has; this is no more than that.
    model_config = ConfigDict(json_schema_extra=_NEEDS_SOURCE)  # type: ignore[typeddict-item]

    quantity: QuantityName = Field(description="What is measured.")
    source: OneLine | None = Field(
        None,
        description='Where it comes from: "device", or "device.point"; none for footwear, which is entered by hand.',
    )
    measures: list[OneLine] = Field(
        default_factory=list,
        description="The stretches of the earth tree that its measuring current crosses.",
    )
    conversion: ConversionTable | None = Field(None, description="How raw becomes SI; contacts need none.")
    limits: dict[LimitName, LimitTable] = Field(
        default_factory=dict, description="Limits beside those of the profile, or changes to them."
    )
    conductors: Literal[1, 2] | None = Field(
        None, description="Of a strap: 1 where one conductor is measured, 2 for the loop over both."
    )
    commissioned_ohm: Positive | None = Field(None, description="Resistance found at commissioning (ohm).")
    commissioned_on: dt.date | None = Field(None, description="The day of commissioning.")
    calibration_due: dt.date | None = Field(
        None, description="The last day on which its calibration holds; the check before work looks at it."
    )
    change_factor: Annotated[float, Field(gt=1, le=1e6)] = Field(
        10.0, description="Times the commissioning value at which a change is an alarm."
    )
    fault_priority: PriorityWord | None = Field(
        None,
        description="Priority when the measurement itself fails; high where it watches a path, else medium.",
    )
    fault_resound_s: Delay | None = Field(
        None,
        description="Time after which an acknowledged fault that still stands sounds again (s), 0 for never; "
        "300 where it watches a path, else 0, if not given.",
    )
    fault_after: Annotated[int, Field(ge=1, le=1000)] = Field(
        2, description="Bad polls in a row that are a fault."
    )
    silent_after_s: Period | None = Field(
        None,
        description="Time without any sample that is a fault (s); three polls, at least 2 s, if not given.",
    )
    stuck_after_s: Annotated[float, Field(gt=0, le=31_536_000)] | None = Field(
        None,
        description="Time without any movement of the raw value that is a fault (s), longer than heartbeat_s; never, "
        "if not given. For what must move, as air does: a quiet good contact does not.",
    )
    heartbeat_s: Annotated[float, Field(gt=0, le=86400)] = Field(
        60.0, description="Longest time without a kept reading (s)."
    )
    thin_raw: NotNegative | None = Field(
        None, description="Raw change up to which a reading is not kept; from the conversion if not given."
    )
