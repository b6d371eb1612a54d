"""Points to requests."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from quietbench.drivers.modbus.blocks import LARGEST_BLOCK, Block, Span, plan_blocks

SPANS = st.lists(
    st.builds(Span, st.sampled_from(["input", "holding"]), st.integers(0, 400), st.integers(1, 2)),
    min_size=1,
    max_size=40,
)


def test_neighbours_are_one_request() -> None:
    """Humidity and temperature side by side are read together."""
    assert plan_blocks([Span("input", 0, 1), Span("input", 1, 1)], bridge=0) == (Block("input", 0, 2),)


def test_a_gap_is_bridged_up_to_the_limit() -> None:
    """Registers between two points are read along, as many as allowed and no more."""
    spans = [Span("input", 0, 1), Span("input", 4, 1)]
    assert plan_blocks(spans, bridge=3) == (Block("input", 0, 5),)
    assert plan_blocks(spans, bridge=2) == (Block("input", 0, 1), Block("input", 4, 1))


def test_tables_are_never_mixed() -> None:
    """Each table has a function code of its own."""
    assert plan_blocks([Span("input", 0, 1), Span("holding", 0, 1)], bridge=100) == (
        Block("holding", 0, 1),
        Block("input", 0, 1),
    )


def test_a_long_row_is_cut_at_what_an_answer_can_carry() -> None:
    """125 registers fit; a two-register number at the cut goes whole into the next."""
    row = [Span("input", 2 * place, 2) for place in range(63)]
    assert plan_blocks(row, bridge=0) == (Block("input", 0, 124), Block("input", 124, 2))


@given(SPANS, st.integers(0, 100))
def test_each_point_is_whole_in_one_request(spans: list[Span], bridge: int) -> None:
    """Every span lies in a block, and no answer is too long."""
    blocks = plan_blocks(spans, bridge=bridge)
    assert all(any(block.holds(span) for block in blocks) for span in spans)
    assert all(1 <= block.count <= LARGEST_BLOCK for block in blocks)


@given(SPANS, st.integers(0, 100))
def test_nothing_is_read_for_nothing(spans: list[Span], bridge: int) -> None:
    """Each block starts and ends at a point; unused stretches inside are no longer than the bridge."""
    for block in plan_blocks(spans, bridge=bridge):
        inside = [span for span in spans if block.holds(span)]
        used = {number for span in inside for number in range(span.first, span.end)}
        assert {block.first, block.end - 1} <= used
        ordered = sorted(used)
        assert all(b - a - 1 <= bridge for a, b in itertools.pairwise(ordered))


@given(SPANS, st.integers(0, 100), st.randoms())
def test_the_order_of_points_does_not_matter(spans: list[Span], bridge: int, random: object) -> None:
    """The plan depends on the registers alone."""
    shuffled = list(spans)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert plan_blocks(shuffled, bridge=bridge) == plan_blocks(spans, bridge=bridge)
