"""Limit profiles: the built-in ones, a site's own, and several together."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.compile import load
from quietbench.daemon.settings.profiles import (
    built_in_names,
    built_in_profiles,
    check_profile,
    load_profile,
)
from quietbench.daemon.settings.rules import clashes, put_together
from quietbench.daemon.settings.units import UNITS

from .mistakes import GOOD

OWN = """
version = 1
name = "our-rules"
title = "Rules of this site"

[[limits]]
quantity = "mat_resistance"
name = "upper"
requirement = "<"
bound = 100
unit = "Mohm"
priority = "high"
protects = true
document = "site handbook"
edition = "3"
clause = "4.2"
test_method = "meter at 100 V"
trust = "stated by the site"

[[limits]]
quantity = "supply_voltage"
name = "upper"
requirement = "<="
bound = 253
unit = "V"
priority = "low"
document = "site handbook"
edition = "3"
clause = "4.3"
test_method = ""
trust = "stated by the site"
"""


def own(tmp_path: Path, text: str = OWN) -> Path:
    """Write a profile of the site's."""
    path = tmp_path / "rules.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_built_in_profile_is_well() -> None:
    """Named as its file, with a title, units that fit its quantities, and deadbands that can be left."""
    names = []
    for profile in built_in_profiles():
        names.append(profile.name)
        assert profile.title
        for limit in profile.limits:
            assert UNITS[limit.unit].si == QUANTITIES[limit.quantity].unit
    assert tuple(names) == built_in_names()
    assert {"s20.20-2021", "s20.20-2014", "s20.20-2007", "iec-61340-5-1-2016", "legacy"} <= set(names)


def test_a_profile_tells_which_of_its_numbers_are_unverified() -> None:
    """By their trust."""
    names = {f"{limit.quantity} {limit.name}" for limit in load_profile("s20.20-2021").doubtful}
    assert names == {"tip_resistance upper", "tip_voltage upper_warning"}


def test_a_profile_that_is_none_names_those_that_are() -> None:
    """For the command line."""
    with pytest.raises(ConfigurationError, match=r"wanted one of .*s20\.20-2021"):
        load_profile("s20.20")


def test_a_sites_own_profile_carries_the_shock_limits(tmp_path: Path) -> None:
    """They are on in every profile."""
    profile = load_profile(str(own(tmp_path)))
    assert [limit.name for limit in profile.limits][:2] == ["upper", "upper"]
    assert sum(limit.shock for limit in profile.limits) == 4


def test_an_own_profile_is_used_by_its_path(tmp_path: Path) -> None:
    """Relative to the configuration, beside a built-in one that does not speak of the same."""
    own(tmp_path)
    file = tmp_path / "watcher.toml"
    text = GOOD.replace('["s20.20-2021", "j-std-001-climate"]', '["./rules.toml", "j-std-001-climate"]')
    drop = text.index("[benches.bench-1.channels.loop]")
    text = text[:drop] + text[text.index("[benches.bench-1.channels.mat]") :]
    file.write_text(text.replace("change_factor = 10", "change_factor = 4"), encoding="utf-8")
    settings = load(file)
    assert settings.context.rules is not None
    assert settings.context.rules.name == "our-rules, j-std-001-climate"


def test_shock_limits_shared_by_two_profiles_are_no_clash() -> None:
    """They are the same in both."""
    profiles = [load_profile("s20.20-2021"), load_profile("j-std-001-climate")]
    assert list(clashes(profiles)) == []
    names = [(limit.quantity, limit.name, limit.conductors) for limit in put_together(profiles).limits]
    assert len(names) == len(set(names))


PROFILE_MISTAKES = [
    ('quantity = "mat_resistance"', 'quantity = "mat_resistence"', "quantity", "mat_resistance", 7),
    ('requirement = "<"', 'requirement = "less"', "requirement", '"<="', 9),
    ("bound = 100", 'bound = "100"', "bound", "a number", 10),
    ('unit = "Mohm"', 'unit = "megohm"', "unit", '"Mohm"', 11),
    ('unit = "V"', 'unit = "ohm"', "unit", "wrong unit for supply_voltage", 25),
    ('document = "site handbook"\n', "", "document", "missing key", 6),
    ('trust = "stated by the site"\n', "", "trust", "missing key", 6),
    ('clause = "4.2"', 'claus = "4.2"', "claus", '"clause"', 16),
    ('name = "our-rules"', "", "name", "missing key", None),
    ("version = 1", "version = 3", "version", "1", 2),
    (
        'quantity = "supply_voltage"\nname = "upper"\nrequirement = "<="\nbound = 253\nunit = "V"',
        'quantity = "mat_resistance"\nname = "upper"\nrequirement = "<="\nbound = 253\nunit = "ohm"',
        "name",
        "twice",
        22,
    ),
    (
        'quantity = "mat_resistance"\nname = "upper"',
        'quantity = "strap_resistance"\nname = "shock"',
        "name",
        "reserved",
        8,
    ),
]


@pytest.mark.parametrize(("old", "new", "key", "word", "line"), PROFILE_MISTAKES)
def test_a_mistake_in_an_own_profile_is_one_finding(
    tmp_path: Path, old: str, new: str, key: str, word: str, line: int | None
) -> None:
    """With the profile's file and line."""
    path = own(tmp_path, OWN.replace(old, new, 1))
    profile, report = check_profile(str(path))
    assert profile is None
    (finding,) = report.findings
    assert (finding.file, finding.line, finding.key) == (str(path), line, key)
    assert word in finding.text()


def test_check_tells_what_is_wrong_with_the_profile_that_a_file_names(tmp_path: Path) -> None:
    """All in one report, each with its own file."""
    path = own(tmp_path, OWN.replace("bound = 100", "bound = true"))
    file = tmp_path / "watcher.toml"
    file.write_text(GOOD.replace('"s20.20-2021"', '"rules.toml"'), encoding="utf-8")
    assert [finding.file for finding in check_file(file).findings] == [str(path)]
