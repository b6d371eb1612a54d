"""The drawn view, looked at as lines of text."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietbench.daemon.cli.following import Connected, Gone
from quietbench.daemon.cli.live.happenings import KEPT, Happenings
from quietbench.daemon.cli.live.layout import Frame, draw
from quietbench.daemon.cli.live.letters import large
from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.pulse import STEP_S, dark, heard
from quietbench.daemon.cli.live.wiring import ASCII, UNICODE, Ink, break_words, draw_path
from quietbench.daemon.core.records import Rhythm
from quietbench.daemon.socket.lines import (
    BenchLine,
    EventLine,
    Gap,
    Greeting,
    ReadingLine,
    Snapshot,
    Stretch,
)

SKIN_OPEN = "skin ━━ ╳ ━━ band ━━ ╳ ━━ cord ━━ ╳ ━━ jack ━━ ╳ ━━ common point ━━━━━━━ earth"


def frame(
    width: int = 80, height: int = 24, *, now_s: float = 10.0, ink: Ink = UNICODE, **more: Any
) -> Frame:
    return Frame(width, height, now_s, "08:00:02", ink, ink is UNICODE, **more)


def text(picture: Picture, how: Frame) -> str:
    return "\n".join(line.plain.rstrip() for line in draw(picture, how))


@pytest.fixture
def picture(make: Any) -> Picture:
    """Two benches whose paths hold."""
    picture = Picture()
    picture.apply(Connected(Greeting.parse(make.GREETING), b""), 0.0)
    picture.apply(Snapshot.parse(make.two_benches()), 0.0)
    return picture


def test_the_view_fits_80_by_24(picture: Picture, make: Any) -> None:
    """Never a line too long or too many, whatever the state."""
    picture.apply(BenchLine.parse(make.open_bench("bench-1")), 0.0)
    picture.apply(BenchLine.parse(make.open_bench("bench-2")), 0.0)
    picture.apply(EventLine.parse(make.strap_alarm()), 0.0)
    lines = draw(picture, frame())
    assert len(lines) == 24
    assert max(line.cell_len for line in lines) <= 80


def test_an_open_path_shows_where_what_to_do_and_what_sounds(picture: Picture, make: Any) -> None:
    """Everything the operator asks, on one screen, told by shapes and words."""
    picture.apply(BenchLine.parse(make.open_bench()), 9.0)
    picture.apply(EventLine.parse(make.strap_alarm()), 9.0)
    shown = text(picture, frame())
    assert SKIN_OPEN in shown
    for letters in large("Strap path open") or ():
        assert letters in shown
    assert "  Take your hands off the board. Check band, cord and jack.\n" in shown
    assert "■ red, flashing" in shown
    assert "high  relay off" in shown
    assert "to acknowledge (1)  bench-1/strap:closed (high)" in shown
    assert "08:00:01  bench-1  Strap path open (high alarm)" in shown


def test_readings_have_unit_uncertainty_bound_and_reason(picture: Picture, make: Any) -> None:
    """A bound is said as one; a doubtful reading says why."""
    bound = make.reading_line("bench-1/mat", "mat_resistance", "ohm", 3.4e8, sense=">")
    bad = make.reading_line(
        "bench-2/mat", "mat_resistance", "ohm", None, u=None, quality="bad", reason="silent"
    )
    picture.apply(ReadingLine.parse(bound), 0.0)
    picture.apply(ReadingLine.parse(bad), 0.0)
    shown = text(picture, frame())
    assert "mat more than 340 Mohm" in shown
    assert "mat bad: no answer" in shown
    assert "room-2  humidity 31.2 ± 1.0 %RH   temperature 21.20 ± 0.30 °C" in shown
    assert "± one standard uncertainty" in shown


def test_a_lost_watcher_leaves_nothing_claimed(picture: Picture) -> None:
    """No green, no held, no whole path: only what was heard last, named so."""
    picture.apply(Gone("the watcher at /run/w closed the connection", 1.0), 5.0)
    shown = text(picture, frame(height=40))
    assert "The watcher at /run/w closed the connection" in shown
    assert "The watcher is gone. Keep boards in their bags until it is back." in shown
    assert "skin · · · · band" in shown
    assert "last: bond closed" in shown
    assert "buzzer not known  relay not known" in shown
    for claim in ("green", "●", "held", "━━━━━"):
        assert claim not in shown


def test_a_watcher_that_is_back_shows_again(picture: Picture, make: Any) -> None:
    """The new snapshot replaces everything."""
    picture.apply(Gone("gone", 1.0), 5.0)
    picture.apply(Connected(Greeting.parse({**make.GREETING, "run": 13}), b""), 6.0)
    picture.apply(
        Snapshot.parse({"benches": [make.bench_line("bench-2")], "readings": [], "alarms": []}), 6.0
    )
    shown = text(picture, frame())
    assert "run 13" in shown
    assert "● green, steady" in shown
    assert "bench-1" not in shown


def test_ascii_terminals_get_the_same_in_ascii(picture: Picture, make: Any) -> None:
    """Not one character beyond ASCII."""
    picture.apply(BenchLine.parse(make.open_bench()), 9.0)
    picture.apply(EventLine.parse(make.event_line("bench", "bench-1", to="open", **{"from": "held"})), 9.0)
    shown = text(picture, frame(ink=ASCII))
    assert shown.isascii()
    assert "skin == X == band" in shown
    assert "22.41 +- 0.31 Mohm" in shown
    assert "held -> open" in shown
    assert "Strap path open: take your hands off the board." in shown


def test_a_large_terminal_gets_larger_letters(picture: Picture, make: Any) -> None:
    """Twice the size where one bench has the room."""
    picture.only = "bench-1"
    picture.apply(Snapshot.parse({**make.two_benches(), "benches": [make.open_bench()]}), 0.0)
    shown = text(picture, frame(130, 45))
    for letters in large("Strap path open", scale=2) or ():
        assert letters in shown


def test_what_has_no_room_is_said(make: Any) -> None:
    """Twenty benches on a small screen: the count of those left out, and what to do."""
    picture = Picture()
    benches = [make.bench_line(f"bench-{number}") for number in range(20)]
    picture.apply(Snapshot.parse({"benches": benches, "readings": [], "alarms": []}), 0.0)
    picture.apply(Connected(Greeting.parse(make.GREETING), b""), 0.0)
    shown = text(picture, frame(80, 14))
    assert "more: enlarge the window or name one with --bench" in shown
    assert "bench-0 ● HELD" in shown


def test_the_benches_that_do_not_hold_get_the_room_first(make: Any) -> None:
    """Ten benches, one open: that one is drawn in full."""
    picture = Picture()
    benches = [make.bench_line(f"bench-{number}") for number in range(9)] + [make.open_bench("bench-9")]
    picture.apply(Connected(Greeting.parse(make.GREETING), b""), 0.0)
    picture.apply(Snapshot.parse({"benches": benches, "readings": [], "alarms": []}), 0.0)
    shown = text(picture, frame())
    assert SKIN_OPEN in shown
    assert "bench-8 ● HELD All watched paths held." in shown


def test_one_bench_alone_shows_its_room_too(make: Any) -> None:
    """The readings and events of other benches are left out."""
    picture = Picture(only="bench-2")
    picture.apply(Connected(Greeting.parse(make.GREETING), b""), 0.0)
    picture.apply(Snapshot.parse(make.two_benches()), 0.0)
    picture.apply(EventLine.parse(make.strap_alarm()), 0.0)
    shown = text(picture, frame())
    assert "bench-2 Hand soldering" in shown
    assert "room-2  humidity" in shown
    assert "bench-1" not in shown


def test_a_bench_event_moves_the_break_in_the_drawing(picture: Picture, make: Any) -> None:
    """Even before the bench's own line comes."""
    body = {"from": "held", "to": "open", "open": ["bench-1/mat_lead", "bench-1/mat"], "unknown": []}
    picture.apply(EventLine.parse(make.event_line("bench", "bench-1", **body)), 0.0)
    shown = text(picture, frame())
    assert "mat ━━ ╳ ━━ mat lead ━━ ╳ ━━ common point ━━━━━━━ earth" in shown
    assert "held → open: mat lead, mat" in shown


def test_a_bench_line_without_paths_keeps_the_drawing(picture: Picture, make: Any) -> None:
    """The wiring does not change because a line is short."""
    line = make.bench_line()
    del line["paths"]
    picture.apply(BenchLine.parse(line), 0.0)
    assert "skin ━━━━━━━ band" in text(picture, frame())


def test_an_acknowledged_alarm_no_longer_waits(picture: Picture, make: Any) -> None:
    """And one that is over and unacknowledged still does."""
    picture.apply(EventLine.parse(make.strap_alarm()), 0.0)
    picture.apply(EventLine.parse(make.strap_alarm("returned unacknowledged")), 0.0)
    assert "to acknowledge (1)  bench-1/strap:closed" in text(picture, frame())
    picture.apply(EventLine.parse(make.strap_alarm("acknowledged")), 0.0)
    assert "to acknowledge" not in text(picture, frame())
    picture.apply(EventLine.parse(make.strap_alarm("normal")), 0.0)
    assert picture.alarms == {}


def test_lines_left_out_are_told(picture: Picture) -> None:
    """A slow view knows that it is one."""
    picture.apply(Gap(40), 0.0)
    picture.apply(Gap(2), 0.0)
    assert "42 lines left out" in text(picture, frame())


def test_a_caption_stands_above(picture: Picture) -> None:
    """The demo tells its story there."""
    assert text(picture, frame(caption="The cord lets go.")).splitlines()[1] == "» The cord lets go."


@settings(max_examples=60, deadline=None)
@given(width=st.integers(1, 160), height=st.integers(1, 60), opened=st.booleans())
def test_no_size_breaks_the_view(width: int, height: int, opened: bool) -> None:
    """A window can be dragged to anything."""
    path = tuple(
        Stretch(f"b/{name}", "open" if opened else "good") for name in ("skin", "band", "common_point")
    )
    bench = BenchLine("b", "B", "open", "high", "red", True, False, None, "Strap path open: let go.", (path,))
    picture = Picture(gone=None)
    picture.apply(Snapshot((bench, bench), (), ()), 0.0)
    lines = draw(picture, frame(width, height))
    assert len(lines) <= height
    assert max(line.cell_len for line in lines) <= width


def test_a_long_path_goes_on_in_the_next_line() -> None:
    """Nothing of the way to earth is cut off."""
    path = tuple(Stretch(f"b/part_{number}", "good") for number in range(12))
    lines = draw_path(path, 60, UNICODE)
    assert len(lines) > 1
    assert all(line.cell_len <= 60 for line in lines)
    joined = " ".join(line.plain for line in lines)
    assert all(f"part {number} " in joined for number in range(12))
    assert joined.endswith("earth")


@pytest.mark.parametrize(
    ("state", "mark"), [("good", "━━━"), ("open", " ╳ "), ("unknown", " ? "), ("unwatched", "· ·")]
)
def test_every_state_of_a_stretch_has_its_own_shape(state: str, mark: str) -> None:
    """Told without colour."""
    drawn = draw_path((Stretch("b/cord", state),), 80, UNICODE)[0].plain
    assert mark in drawn
    assert (break_words((Stretch("b/cord", state),)) == "whole") is (state == "good")


def test_letters_are_three_lines_high_or_not_drawn_at_all() -> None:
    """A character without a large form leaves the text to ordinary type."""
    drawn = large("Strap path open, 24 %RH".replace(" %RH", ""))
    assert drawn is not None
    assert len(drawn) == 3
    assert large("Strap ☹") is None
    assert large("") is None
    assert len(large("A", scale=2) or ()) == 5


def test_a_letter_looks_like_itself() -> None:
    """An L is a stroke and a foot."""
    assert large("L") == ("▌", "▌", "▀▀▘")


@pytest.mark.parametrize("rhythm", [rhythm.value for rhythm in Rhythm if rhythm is not Rhythm.SILENT])
def test_the_strip_shows_the_rhythm_as_it_sounds(rhythm: str) -> None:
    """The newest step is at the right end; each later moment is the same strip moved by one."""
    early, late = heard(rhythm, 20.0, 200), heard(rhythm, 20.0 + STEP_S, 200)
    assert late[:-1] == early[1:]
    assert any(early)
    assert not all(early)
    assert heard(rhythm, 0.0, 3) == [False, False, True], "it begins with a pulse"


def test_silence_is_flat() -> None:
    """And so is a rhythm that this version does not know."""
    assert not any(heard("silent", 5.0, 40))
    assert not any(heard("samba", 5.0, 40))


def test_a_flashing_lamp_goes_dark_and_back() -> None:
    """Both within half a second."""
    assert {dark(step * STEP_S) for step in range(10)} == {True, False}


# --- events ---


def bench_event(make: Any, after: str, at_ms: float, bench: str = "bench-1", *stretches: str) -> EventLine:
    opened = [f"{bench}/{name}" for name in stretches or ("cord",)] if after == "open" else []
    body = {"from": "held" if after == "open" else "open", "to": after, "open": opened, "unknown": []}
    line = make.event_line("bench", bench, **body)
    return EventLine.parse({**line, "monotonic_ns": int(at_ms * 1e6)})


def told(happenings: Happenings) -> list[str]:
    return [f"{line.place} {line.text}" for line in happenings]


def test_a_short_opening_is_one_line_with_its_duration(make: Any) -> None:
    """What maintenance looks for."""
    happenings = Happenings()
    happenings.add(bench_event(make, "open", 1000.0))
    assert told(happenings) == ["bench-1 held → open: cord"]
    happenings.add(bench_event(make, "held", 1003.8))
    assert told(happenings) == ["bench-1 let go for 3.8 ms: cord"]


def test_many_short_openings_are_one_line(make: Any) -> None:
    """With their number and range; another bench has its own."""
    happenings = Happenings()
    for at_ms, lasted_ms in ((1000.0, 3.8), (1100.0, 2.1), (1500.0, 14.6)):
        happenings.add(bench_event(make, "open", at_ms))
        happenings.add(bench_event(make, "held", at_ms + lasted_ms))
    happenings.add(bench_event(make, "open", 1600.0, "bench-2"))
    happenings.add(bench_event(make, "held", 1601.0, "bench-2"))
    assert told(happenings) == [
        "bench-1 let go 3 times, 2.1 to 14.6 ms: cord",
        "bench-2 let go for 1.0 ms: cord",
    ]


def test_dropouts_far_apart_or_elsewhere_are_told_apart(make: Any) -> None:
    """Another stretch, or five seconds later."""
    happenings = Happenings()
    for at_ms, stretch in ((1000.0, "cord"), (2000.0, "mat_lead"), (9000.0, "mat_lead")):
        happenings.add(bench_event(make, "open", at_ms, "bench-1", stretch))
        happenings.add(bench_event(make, "held", at_ms + 2.0))
    assert told(happenings) == [
        "bench-1 let go for 2.0 ms: cord",
        "bench-1 let go for 2.0 ms: mat lead",
        "bench-1 let go for 2.0 ms: mat lead",
    ]


def test_a_path_that_stood_open_is_told_as_such(make: Any) -> None:
    """Its opening and its end are two events."""
    happenings = Happenings()
    happenings.add(bench_event(make, "open", 1000.0))
    happenings.add(bench_event(make, "held", 2500.0))
    assert told(happenings) == ["bench-1 held → open: cord", "bench-1 open → held"]


def test_only_the_newest_lines_are_kept(make: Any) -> None:
    """A view left open for weeks does not grow."""
    happenings = Happenings()
    for number in range(KEPT + 5):
        happenings.add(bench_event(make, "open", 10_000.0 * number))
        happenings.add(bench_event(make, "held", 10_000.0 * number + 5000.0))
    assert len(list(happenings)) == KEPT


def test_what_does_not_hold_is_large_even_where_much_waits_below(picture: Picture, make: Any) -> None:
    """Alarms, readings and events give up room for it."""
    picture.apply(BenchLine.parse(make.open_bench("bench-2")), 0.0)
    for number in range(6):
        line = make.event_line("alarm", f"bench-2/mat:limit-{number}", to="unacknowledged", priority="high")
        picture.apply(EventLine.parse(line), 0.0)
    shown = text(picture, frame(caption="A caption."))
    for letters in large("Strap path open") or ():
        assert letters in shown
    assert "to acknowledge (6)  bench-2/mat:limit-0 (high)" in shown
