"""A limit above what the circuit resolves is checked by hand, and the channel watches for change."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.daemon.core.convert import Divider
from quietbench.daemon.core.plan import Limit, Priority, Requirement
from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.judgement import Judged, judge
from quietbench.daemon.settings.profiles import load_profile
from quietbench.daemon.settings.rules import Rules, put_together

RULES = put_together([load_profile("s20.20-2021")])
BARE_A = 1e-6
"""A converter's own worst-case leakage (A), without a buffer in front of it."""
BUFFERED_A = 3e-11


def mat(rules: Rules = RULES, *, leakage_a: float, **keys: object) -> Judged:
    """Judge a mat on a 12-bit divider of 10 Mohm."""
    conversion = {"kind": "divider", "series_ohm": 1e7, "leakage_a": leakage_a}
    table = {
        "quantity": "mat_resistance",
        "source": "m",
        "measures": ["mat"],
        "conversion": conversion,
        **keys,
    }
    return judge(ChannelTable.model_validate(table), rules)


def by_name(judged: Judged) -> dict[str, Limit]:
    """Return the limits; there must be no trouble."""
    assert judged.troubles == ()
    return {limit.name: limit for limit in judged.limits}


COMMISSIONED = {"commissioned_ohm": 1e5, "commissioned_on": __import__("datetime").date(2031, 3, 2)}


def test_the_bare_converter_does_not_reach_the_limit() -> None:
    """A microampere equals the signal at 3.3 Mohm: far below 1e9 ohm."""
    assert Divider(series_ohm=1e7, leakage_a=BARE_A).resolves()[1] < 3.3e6 < 1e9


def test_the_buffered_converter_reaches_it() -> None:
    """With 30 pA in all."""
    assert Divider(series_ohm=1e7, leakage_a=BUFFERED_A).resolves()[1] > 1e9


def test_a_limit_that_resolves_is_judged_by_readings() -> None:
    """Nothing to be entered, no change limit without a value at commissioning."""
    limits = by_name(mat(leakage_a=BUFFERED_A))
    assert not any(limit.entered for limit in limits.values())
    assert "change" not in limits


def test_a_limit_that_does_not_resolve_is_entered_by_hand() -> None:
    """Limit and warning both, and the change limit is judged by readings."""
    limits = by_name(mat(leakage_a=BARE_A, **COMMISSIONED))
    assert (limits["upper"].entered, limits["upper_warning"].entered) == (True, True)
    assert limits["upper"].protects
    change = limits["change"]
    assert (change.requirement, change.bound, change.entered) == (Requirement.BELOW, 1e6, False)
    assert (change.protects, change.priority) == (True, Priority.HIGH)


def test_the_change_limit_says_where_it_comes_from() -> None:
    """The site's own rule, with the day and the value of commissioning."""
    source = by_name(mat(leakage_a=BARE_A, **COMMISSIONED))["change"].source
    assert (source.document, source.edition) == ("site's own rule", "2031-03-02")
    assert "10 times the 100000 ohm found at commissioning on 2031-03-02" in source.remark


def test_the_factor_of_change_is_the_sites() -> None:
    """Default ten."""
    limits = by_name(mat(leakage_a=BARE_A, change_factor=3.0, **COMMISSIONED))
    assert limits["change"].bound == pytest.approx(3e5)


def test_without_a_value_at_commissioning_it_is_an_error() -> None:
    """Which names the limit, what the circuit resolves, and what to give."""
    (trouble,) = mat(leakage_a=BARE_A).troubles
    assert trouble.path == ("commissioned_ohm",)
    assert "upper (1e+09 ohm) lies above the" in trouble.what
    assert "checked by hand" in trouble.what
    assert "commissioned_ohm and commissioned_on" in trouble.wanted


def test_a_value_at_commissioning_adds_the_change_limit_even_where_all_resolves() -> None:
    """Both are judged by readings."""
    limits = by_name(mat(leakage_a=BUFFERED_A, **COMMISSIONED))
    assert not limits["upper"].entered
    assert limits["change"].bound == pytest.approx(1e6)


def test_a_limit_by_hand_on_the_sites_wish_needs_commissioning_too() -> None:
    """Otherwise nothing that is read would ever open the path."""
    (trouble,) = mat(leakage_a=BUFFERED_A, limits={"upper": {"entered": True}}).troubles
    assert trouble.path == ("commissioned_ohm",)
    limits = by_name(mat(leakage_a=BUFFERED_A, limits={"upper": {"entered": True}}, **COMMISSIONED))
    assert limits["upper"].entered
    assert not limits["upper_warning"].entered


def test_the_change_limit_itself_can_not_wait_for_a_hand() -> None:
    """It is what is left to see an opening by."""
    (trouble,) = mat(leakage_a=BARE_A, limits={"change": {"entered": True}}, **COMMISSIONED).troubles
    assert trouble.path == ("limits", "change", "entered")


def test_a_change_beyond_what_resolves_is_an_error() -> None:
    """A limit that the circuit can't show protects nobody."""
    (trouble,) = mat(leakage_a=BARE_A, change_factor=1e4, **COMMISSIONED).troubles
    assert trouble.path == ("change_factor",)


def test_a_bound_at_the_very_end_of_what_resolves_is_judged_by_readings() -> None:
    """Above is above."""
    highest = Divider(series_ohm=1e7, leakage_a=BARE_A).resolves()[1]
    own = {"upper": {"bound": highest, "source": "rule"}, "upper_warning": {"use": False, "source": "rule"}}
    assert not by_name(mat(leakage_a=BARE_A, limits=own))["upper"].entered
    own["upper"]["bound"] = highest * 1.000001
    assert mat(leakage_a=BARE_A, limits=own).troubles


def test_a_profile_without_a_limit_for_a_path_is_an_error(tmp_path: Path) -> None:
    """A channel that nothing can open would be a green light for ever."""
    (trouble,) = mat(put_together([load_profile("j-std-001-climate")]), leakage_a=BUFFERED_A).troubles
    assert "could never show as open" in trouble.what
