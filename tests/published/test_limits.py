"""The numbers of the limit profiles against the published editions, and what happens at the very limit.

Beside each number stand document, clause and how sure it is. Nobody here has the standards at hand: a number
"seen" was seen on a public copy of the table or a trade page quoting it, one "from memory" was not. A site
checks them against its own copies.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest

from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Limit, Requirement
from quietbench.daemon.settings.limit_making import from_profile
from quietbench.daemon.settings.limits import ProfileLimit
from quietbench.daemon.settings.profiles import built_in_names, load_profile

SEEN = "seen on a public copy of the table"
SECOND_HAND = "second-hand: a trade page quoting the clause"
SURE = "from memory, high confidence"
UNSURE = "from memory, unverified"
OF_2016 = "value of the 2016 edition, unverified"
OWN = "own choice"

S2020, IEC, J_STD = "ANSI/ESD S20.20", "IEC 61340-5-1", "J-STD-001"
E2007, E2014, E2021 = "s20.20-2007", "s20.20-2014", "s20.20-2021"
I2016, I2024 = "iec-61340-5-1-2016", "iec-61340-5-1-2024"
CLIMATE, LEGACY = "j-std-001-climate", "legacy"


class Published(NamedTuple):
    """One number as its document has it."""

    profile: str
    limit: str
    relation: str
    bound: float
    unit: str
    document: str
    edition: str
    clause: str
    trust: str


PUBLISHED = (
    # Wrist strap system: S20.20 Table 2 (S1.1, TR53); 2007 seen in two copies that agree; no lower limit in the row.
    Published(E2007, "strap_resistance upper", "<", 3.5e7, "ohm", S2020, "2007", "Table 2", SEEN),
    Published(E2014, "strap_resistance upper", "<", 3.5e7, "ohm", S2020, "2014", "Table 2", SURE),
    Published(E2021, "strap_resistance upper", "<", 3.5e7, "ohm", S2020, "2021", "Table 2", SURE),
    Published(I2016, "strap_resistance upper", "<", 3.5e7, "ohm", IEC, "2016", "Table 2", SURE),
    Published(I2024, "strap_resistance upper", "<", 3.5e7, "ohm", IEC, "2024", "Table 2", OF_2016),
    # Worksurface to ground: S20.20 Table 3 (S4.1, TR53); IEC quoted second-hand.
    Published(E2007, "mat_resistance upper", "<", 1.0e9, "ohm", S2020, "2007", "Table 3", SURE),
    Published(E2014, "mat_resistance upper", "<", 1.0e9, "ohm", S2020, "2014", "Table 3", SURE),
    Published(E2021, "mat_resistance upper", "<", 1.0e9, "ohm", S2020, "2021", "Table 3", SURE),
    Published(I2016, "mat_resistance upper", "<", 1.0e9, "ohm", IEC, "2016", "Table 3", SECOND_HAND),
    Published(I2024, "mat_resistance upper", "<", 1.0e9, "ohm", IEC, "2024", "Table 3", OF_2016),
    # Recommended lower bound for the charged-device model: IEC 2007 note 6, 2016 note f; an option.
    Published(
        E2021, "mat_resistance cdm_lower", ">=", 1.0e4, "ohm", IEC, "2007, 2016", "note 6", SECOND_HAND
    ),
    Published(
        I2016, "mat_resistance cdm_lower", ">=", 1.0e4, "ohm", IEC, "2007, 2016", "note f", SECOND_HAND
    ),
    # Footwear and floor with the person: S20.20 Table 2; 2007 has two methods, of which the first is an option here.
    Published(E2007, "footwear_resistance upper", "<", 1.0e9, "ohm", S2020, "2007", "method 2", SEEN),
    Published(E2007, "footwear_resistance method_1", "<", 3.5e7, "ohm", S2020, "2007", "method 1", SEEN),
    Published(E2014, "footwear_resistance upper", "<", 1.0e9, "ohm", S2020, "2014", "Table 2", SURE),
    Published(E2021, "footwear_resistance upper", "<", 1.0e9, "ohm", S2020, "2021", "Table 2", SURE),
    Published(I2016, "footwear_resistance upper", "<", 1.0e9, "ohm", IEC, "2016", "Table 2", UNSURE),
    Published(I2024, "footwear_resistance upper", "<", 1.0e9, "ohm", IEC, "2024", "Table 2", OF_2016),
    Published(
        LEGACY, "footwear_resistance upper", "<=", 1.0e8, "ohm", IEC, "1998, 2001", "body", SECOND_HAND
    ),
    Published(
        LEGACY, "footwear_resistance lower", ">=", 5.0e4, "ohm", IEC, "1998, 2001", "body", SECOND_HAND
    ),
    # Soldering tools: S20.20 Table 3, 2014 and 2021: 10 ohm in verification, 2 ohm in qualification, 20 mV.
    Published(E2014, "tip_resistance upper", "<", 10.0, "ohm", S2020, "2014", "verification", UNSURE),
    Published(E2021, "tip_resistance upper", "<", 10.0, "ohm", S2020, "2021", "verification", UNSURE),
    Published(E2021, "tip_resistance upper_warning", "<", 2.0, "ohm", S2020, "2021", "qualification", SURE),
    Published(E2014, "tip_voltage upper", "<", 20.0, "mV", S2020, "2014", "Table 3", SURE),
    Published(E2021, "tip_voltage upper", "<", 20.0, "mV", S2020, "2021", "Table 3", SURE),
    # Body voltage: S20.20 Table 2 with STM97.2; IEC takes the mean of five peaks.
    Published(E2007, "body_voltage upper", "<", 100.0, "V", S2020, "2007", "Table 2", SEEN),
    Published(E2021, "body_voltage upper", "<", 100.0, "V", S2020, "2021", "Table 2", SURE),
    Published(E2021, "body_voltage lower", ">", -100.0, "V", S2020, "2021", "Table 2", SURE),
    Published(I2016, "body_voltage upper", "<", 100.0, "V", IEC, "2016", "Table 2", UNSURE),
    # Field where sensitive items are handled: at most 5 kV/m, from 2014 on.
    Published(E2014, "static_field upper", "<=", 5.0, "kV/m", S2020, "2014", "field", SURE),
    Published(E2021, "static_field lower", ">=", -5.0, "kV/m", S2020, "2021", "field", SURE),
    Published(I2016, "static_field upper", "<=", 5.0, "kV/m", IEC, "2016", "field", SURE),
    # Ioniser: 50 V in 2007, 35 V from 2014 on; decay 20 s in IEC alone.
    Published(E2007, "ioniser_offset upper", "<", 50.0, "V", S2020, "2007", "ionisation", SURE),
    Published(E2014, "ioniser_offset upper", "<", 35.0, "V", S2020, "2014", "ionisation", SURE),
    Published(E2021, "ioniser_offset lower", ">", -35.0, "V", S2020, "2021", "ionisation", SURE),
    Published(I2016, "ioniser_offset upper", "<", 35.0, "V", IEC, "2016", "ionisation", SECOND_HAND),
    Published(I2016, "ioniser_decay upper", "<", 20.0, "s", IEC, "2016", "ionisation", SECOND_HAND),
    Published(I2024, "ioniser_decay upper", "<", 20.0, "s", IEC, "2024", "ionisation", OF_2016),
    # Climate: J-STD-001, facilities; 30 %RH is an action level, 70 %RH and 18 to 30 °C belong to the band.
    Published(
        CLIMATE, "relative_humidity low", ">", 30.0, "%RH", J_STD, "revision not recorded", "facilities", SURE
    ),
    Published(
        CLIMATE,
        "relative_humidity high",
        "<=",
        70.0,
        "%RH",
        J_STD,
        "revision not recorded",
        "facilities",
        SURE,
    ),
    Published(
        CLIMATE, "air_temperature low", ">=", 18.0, "°C", J_STD, "revision not recorded", "facilities", SURE
    ),
    Published(
        CLIMATE, "air_temperature high", "<=", 30.0, "°C", J_STD, "revision not recorded", "facilities", SURE
    ),
    # Older documents: IEC 1998 and 2001 windows; S20.20-1999 Table 1: more than 30 and less than 70 %RH.
    Published(LEGACY, "mat_resistance lower", ">=", 7.5e5, "ohm", IEC, "1998, 2001", "surfaces", SECOND_HAND),
    Published(LEGACY, "mat_resistance upper", "<=", 1.0e9, "ohm", IEC, "1998, 2001", "surfaces", SECOND_HAND),
    Published(LEGACY, "relative_humidity low", ">", 30.0, "%RH", S2020, "1999", "Table 1", SURE),
    Published(LEGACY, "relative_humidity high", "<", 70.0, "%RH", S2020, "1999", "Table 1", SURE),
)


def limit_of(profile: str, name: str, conductors: int | None = None) -> ProfileLimit:
    """Return a limit by "quantity name"."""
    (found,) = (
        limit
        for limit in load_profile(profile).limits
        if f"{limit.quantity} {limit.name}" == name and conductors in (None, limit.conductors)
    )
    return found


@pytest.mark.parametrize("published", PUBLISHED, ids=lambda p: f"{p.profile} {p.limit}".replace(" ", "-"))
def test_a_number_of_a_profile_is_the_published_one(published: Published) -> None:
    """Relation, number, unit, document, edition, clause and trust."""
    limit = limit_of(published.profile, published.limit)
    assert (limit.requirement, limit.bound, limit.unit) == (
        published.relation,
        published.bound,
        published.unit,
    )
    assert (limit.document, limit.edition, limit.trust) == (
        published.document,
        published.edition,
        published.trust,
    )
    assert published.clause in limit.clause


ROWS_NOT_IN_AN_EDITION = (
    (E2007, "tip_resistance"),  # the row for soldering tools came in 2014
    (E2007, "tip_voltage"),
    (E2007, "static_field"),
    (I2016, "tip_resistance"),  # no row for soldering tools (from memory, unverified)
    (E2021, "relative_humidity"),  # no humidity limit since 2007
    (E2021, "ioniser_decay"),  # left to the user's plan
)


@pytest.mark.parametrize(("profile", "quantity"), ROWS_NOT_IN_AN_EDITION)
def test_an_edition_without_a_row_has_no_limit(profile: str, quantity: str) -> None:
    """What an edition does not say is not said in its name."""
    assert not [limit for limit in load_profile(profile).limits if limit.quantity == quantity]


@pytest.mark.parametrize("profile", built_in_names())
def test_the_shock_limits_belong_to_every_profile(profile: str) -> None:
    """One conductor 7.5e5 ohm (IEC 61340-5-1:1998/2001; S1.1 Annex B: below 0.5 mA), a loop of two twice that."""
    one = limit_of(profile, "strap_resistance shock", 1)
    two = limit_of(profile, "strap_resistance shock", 2)
    assert (one.requirement, one.bound, one.priority, one.shock) == (">=", 7.5e5, "high", True)
    assert (two.requirement, two.bound, two.priority, two.shock) == (">=", 1.5e6, "high", True)
    assert one.trust == SECOND_HAND
    assert two.trust == OWN


@pytest.mark.parametrize(("volt", "milliampere"), [(230.0, 0.307), (240.0, 0.320), (250.0, 0.333)])
def test_the_shock_limit_keeps_the_current_below_half_a_milliampere(volt: float, milliampere: float) -> None:
    """S1.1 Annex B: less than 0.5 mA at the highest voltage; the currents are computed, I = U/R."""
    current = volt / limit_of(E2021, "strap_resistance shock", 1).bound
    assert current * 1e3 == pytest.approx(milliampere, abs=5e-4)
    assert current < 0.5e-3


def all_limits() -> list[tuple[str, ProfileLimit]]:
    """Every number of every built-in profile."""
    return [(name, limit) for name in built_in_names() for limit in load_profile(name).limits]


IDS = [f"{name}-{limit.quantity}-{limit.name}-{limit.conductors}" for name, limit in all_limits()]


@pytest.mark.parametrize("limit", [from_profile(limit) for _, limit in all_limits()], ids=IDS)
def test_equality_fails_a_strict_limit_and_no_other(limit: Limit) -> None:
    """A reading equal to a "less than" limit is a violation; "at most" includes its bound."""
    strict = limit.requirement in (Requirement.BELOW, Requirement.ABOVE)
    assert (zone(limit, limit.bound) is Zone.VIOLATING) == strict
    outside = 1.0 if limit.requirement in (Requirement.BELOW, Requirement.AT_MOST) else -1.0
    step = max(abs(limit.bound), 1.0) * 1e-9
    assert zone(limit, limit.bound + outside * step) is Zone.VIOLATING
    assert zone(limit, limit.bound - outside * (limit.deadband + step)) is Zone.CLEAR


@pytest.mark.parametrize("limit", [limit for _, limit in all_limits()], ids=IDS)
def test_every_number_says_where_it_comes_from(limit: ProfileLimit) -> None:
    """Document and trust always; edition and clause unless the number is our own or the document is vague."""
    assert limit.document
    assert limit.trust in {SEEN, SECOND_HAND, SURE, UNSURE, OF_2016, OWN}
    if limit.trust == OWN:
        assert limit.document == "own choice of this profile"
        assert limit.remark
    if limit.trust in (SEEN, SECOND_HAND, OF_2016):
        assert limit.clause


def test_the_edition_that_was_not_seen_says_so() -> None:
    """The 2024 profile carries the values of 2016 and is marked, number by number."""
    profile, before = load_profile(I2024), load_profile(I2016)
    assert profile.unverified
    assert "2016" in profile.remark
    own = [limit for limit in profile.limits if limit.document == IEC and limit.edition == "2024"]
    assert own
    assert {limit.trust for limit in own} == {OF_2016}
    assert [(limit.name, limit.bound) for limit in profile.limits] == [
        (b.name, b.bound) for b in before.limits
    ]
    assert not before.unverified
