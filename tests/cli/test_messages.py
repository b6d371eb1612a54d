"""The sentences for the operator."""

from __future__ import annotations

import re
import string

import pytest

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.core.records import BenchState
from quietbench.daemon.messages import CATALOGUE, headline, render
from quietbench.drivers.samples import Reason

PATHS = [q.name for q in QUANTITIES.values() if q.path]
LIMIT_ARGS = {
    "value": "2.4e7",
    "u": "1e5",
    "sense": "=",
    "bound": "3.5e7",
    "place": "bench-1",
    "channel": "strap",
}


def keys() -> list[tuple[str, dict[str, str]]]:
    """Return every key that the core can give, with its arguments."""
    found: list[tuple[str, dict[str, str]]] = [(state.value, {}) for state in BenchState]
    found += [("starting", {}), ("unwatched", {"stretch": "bench-1/mat_lead"})]
    for requirement in ("<", "<=", ">", ">="):
        for quantity in QUANTITIES.values():
            args = {**LIMIT_ARGS, "what": quantity.name, "unit": quantity.unit, "requirement": requirement}
            found.append((f"limit.{quantity.name}", args))
            if quantity.path:
                found.append((f"open.{quantity.name}", args))
    for reason in Reason:
        for what in QUANTITIES:
            args = {"place": "bench-1", "channel": "strap", "what": what}
            found.append((f"fault.{reason.name.lower()}", args))
    return found


@pytest.mark.parametrize(("key", "args"), keys())
def test_every_key_of_the_core_has_a_sentence_of_its_own(key: str, args: dict[str, str]) -> None:
    """Nothing falls back, nothing is left unfilled, and it is short enough for three metres."""
    text = render(key, args)
    family = key.partition(".")[0]
    assert any(known in CATALOGUE for known in (key, f"{key}.high", f"{key}.low", f"{key}.path"))
    assert text != render(family, args) or family == key
    assert not set("{}_") & set(text)
    assert text[0].isupper()
    assert text.endswith(".")
    assert len(text) <= 120
    assert text.count(". ") <= 1, "at most two sentences"


@pytest.mark.parametrize("text", CATALOGUE.values())
def test_no_sentence_says_what_must_never_be_said(text: str) -> None:
    """No word of safety or correctness, no advice that could hurt."""
    banned = r"\b(safe|safely|correct|bridge|short|jumper|strapped in|bench open|lying|proved|remove the resistor)\b"
    assert not re.search(banned, text, re.IGNORECASE)


@pytest.mark.parametrize("quantity", PATHS)
def test_a_fault_on_a_path_says_to_put_the_board_away(quantity: str) -> None:
    """Not knowing is not held."""
    assert "bag the board" in render("fault.silent", {"what": quantity})
    assert "bag the board" not in render("fault.silent", {"what": "air_temperature"})


def test_the_direction_of_a_limit_decides_what_to_do() -> None:
    """A strap resistance too low is a risk of shock, too high an open path."""
    low = render("limit.strap_resistance", {**LIMIT_ARGS, "unit": "ohm", "requirement": ">="})
    high = render("limit.strap_resistance", {**LIMIT_ARGS, "unit": "ohm", "requirement": "<"})
    assert "out of use" in low
    assert "24 Mohm, wanted at least 35 Mohm" in low
    assert "below 35 Mohm" in high


def test_a_key_nobody_wrote_a_sentence_for_still_says_something() -> None:
    """The family's sentence where there is one, else the key's own words."""
    assert render("fault.eaten_by_mice", {"what": "mat_resistance"}) == (
        "Mat resistance not measured: bag the board and call maintenance."
    )
    assert render("brand.new_thing", {}) == "Brand: new thing."
    assert render("", {}) == "."


@pytest.mark.parametrize("key", CATALOGUE)
def test_a_sentence_without_its_arguments_is_still_whole(key: str) -> None:
    """Missing arguments get plain words."""
    assert not set("{}") & set(render(key, {}))


@pytest.mark.parametrize("text", CATALOGUE.values())
def test_only_known_arguments_are_used(text: str) -> None:
    """A translator finds the same names everywhere."""
    names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    assert names <= {"what", "value", "wanted", "stretch", "channel", "place"}


def test_arguments_are_never_read_as_patterns() -> None:
    """A name with braces in it is only a name."""
    assert "{value}" in render("limit.watcher_health", {"channel": "{value}"})


def test_a_sentence_splits_into_what_is_so_and_what_to_do() -> None:
    """The first part is shown large."""
    assert headline("Strap path open: take your hands off. Check it.") == (
        "Strap path open",
        "Take your hands off. Check it.",
    )
    assert headline("All watched paths held.") == ("All watched paths held", "")


def test_a_translation_takes_the_place_of_the_text() -> None:
    """The texts are message identifiers, as gettext wants them."""
    german = {"All watched paths held.": "Alle überwachten Wege halten."}
    assert render("held", {}, translate=german.__getitem__) == "Alle überwachten Wege halten."
