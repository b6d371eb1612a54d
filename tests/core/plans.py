"""Small plans that the core's tests share."""

from __future__ import annotations

from quietbench.daemon.core.convert import Contact, Divider, Linear
from quietbench.daemon.core.plan import Bench, Channel, Limit, Plan, Priority, Requirement, Source

OWN = Source("own rule", "", "", "own choice")
MS = 1_000_000
STRAP, MAT, BOND, PRESENCE, HUMIDITY = range(5)
MAT_GOOD, MAT_OPEN = 2816, 4095  # counts: 22 Mohm, and nothing at all, below 10 Mohm


def closed(*, on_delay_ns: int = 0, off_delay_ns: int = 0) -> Limit:
    """The contact must be closed."""
    return Limit(
        "closed",
        Requirement.AT_LEAST,
        1.0,
        OWN,
        Priority.HIGH,
        on_delay_ns=on_delay_ns,
        off_delay_ns=off_delay_ns,
        protects=True,
    )


def one_bench(
    *, presence: bool = True, strap_on_delay_ns: int = 0, watch_earth: bool = True, entered: bool = False
) -> Plan:
    """One bench as the demo has it: strap, mat, earth bond, presence; and the room's humidity."""
    mat_limits = [Limit("change", Requirement.BELOW, 2.2e8, OWN, Priority.HIGH, 2e7, protects=True)]
    if entered:
        mat_limits.append(
            Limit("upper", Requirement.BELOW, 1e9, OWN, Priority.HIGH, protects=True, entered=True)
        )
    channels = (
        Channel(
            "b/strap",
            "strap_contact",
            "1",
            Contact(),
            (closed(on_delay_ns=strap_on_delay_ns),),
            frozenset({"b/jack", "b/cord", "b/skin"}),
            Priority.HIGH,
            gated=presence,
        ),
        Channel(
            "b/mat",
            "mat_resistance",
            "ohm",
            Divider(series_ohm=1e7, leakage_a=3e-11),
            tuple(mat_limits),
            frozenset({"b/mat_lead", "b/mat"}),
            Priority.HIGH,
            thin_raw=3.0,
        ),
        Channel(
            "b/bond",
            "earth_bond",
            "1",
            Contact(),
            (closed(),),
            frozenset({"b/common"} if watch_earth else set()),
            Priority.HIGH,
        ),
        Channel("b/presence", "presence", "1", Contact()),
        Channel(
            "room/humidity",
            "relative_humidity",
            "1",
            Linear(0.001, low=0.0, high=1.0),
            (Limit("low", Requirement.ABOVE, 0.3, OWN, Priority.LOW, deadband=0.01),),
        ),
    )
    stretches = {
        "b/common": "earth",
        "b/jack": "b/common",
        "b/cord": "b/jack",
        "b/skin": "b/cord",
        "b/mat_lead": "b/common",
        "b/mat": "b/mat_lead",
    }
    bench = Bench(
        "b", "Bench", stretches, ("b/skin", "b/mat"), ("b/presence",) if presence else (), 10_000 * MS
    )
    return Plan("site", "w", (bench,), channels, "own")
