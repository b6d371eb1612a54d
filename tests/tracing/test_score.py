"""The short form of the scoring: few trees of every scenario, and the page of the full one must be up to date."""

from __future__ import annotations

import pytest

from tests.tracing.prove import PAGE, SCENARIOS, sources_hash
from tests.tracing.score import Score, score
from tests.tracing.trees import Setting, draw

TREES = 12
FIRST_SEED = 40_000  # apart from the full form's, which lie above a million


def scored(name: str) -> Score:
    return score(SCENARIOS[name], range(FIRST_SEED, FIRST_SEED + TREES))


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name, setting in SCENARIOS.items() if setting.faults])
def test_the_right_sets_come_first_and_intervals_hold(name: str) -> None:
    """Of a dozen trees at most two are wrong (the full form allows one in twenty)."""
    result = scored(name)
    assert result.share(lambda tree: tree.right) >= 10 / TREES
    assert 0.8 <= result.coverage() <= 0.98


@pytest.mark.slow
def test_without_a_fault_hardly_any_set_is_named() -> None:
    """Of a dozen trees at most two."""
    assert scored("no fault").share(lambda tree: tree.named > 0.5) <= 2 / TREES


def test_the_same_seed_draws_the_same_tree() -> None:
    """Else no error could be looked at again."""
    one, other = draw(7, Setting()), draw(7, Setting())
    assert one.faults == other.faults
    assert one.dropouts.start_lo_s.tolist() == other.dropouts.start_lo_s.tolist()


def test_the_page_speaks_of_this_code() -> None:
    """Run `make prove-tracing` (half an hour) after a change of the model, and commit its page."""
    assert f"sources {sources_hash()}" in PAGE.read_text("utf-8")
