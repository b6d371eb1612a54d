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


# --- declared, grouped, hidden ---


def apply(picture: Picture, make: Any, *alarms: dict[str, Any], **bench: Any) -> None:
    """Show one bench with these keys, its neighbour, and these alarms."""
    benches = [{**make.open_bench(), **bench}, make.bench_line("bench-2")]
    picture.apply(Snapshot.parse({**make.two_benches(), "benches": benches, "alarms": list(alarms)}), 9.0)


def test_live_work_is_shown_in_words_and_shape(picture: Picture, make: Any) -> None:
    """With its end, and in small too where there is little room."""
    apply(
        picture, make, live=True, live_until="2031-03-02T10:00:00.000000Z", sentence="Live work: straps off."
    )
    shown = text(picture, frame())
    assert "◆ live work until 10:00:00: straps off" in shown
    for letters in large("Live work") or ():
        assert letters in shown
    assert "bench-1 ■ OPEN ◆ live Live work" in text(picture, frame(height=9))


@pytest.mark.parametrize(
    ("ready", "words", "ascii_mark"),
    [
        ("passed", "☑ checked before work", "[v]"),
        ("missing", "☐ not checked before work", "[ ]"),
        ("failed", "☒ check before work failed", "[x]"),
    ],
)
def test_the_check_before_work_is_shown_in_words_and_shape(
    picture: Picture, make: Any, ready: str, words: str, ascii_mark: str
) -> None:
    """Each with a mark of its own; a bench that asks for none shows none."""
    assert "before work" not in text(picture, frame())
    apply(picture, make, ready=ready)
    assert words in text(picture, frame())
    assert f"{ascii_mark} {words[2:]}" in text(picture, frame(ink=ASCII))


def test_a_silenced_buzzer_is_told_from_one_that_has_nothing_to_say(picture: Picture, make: Any) -> None:
    """And one that sounds for something new is not called silent."""
    assert "silenced" not in text(picture, frame())
    apply(picture, make, silenced=True, rhythm="silent")
    assert "⊘ buzzer silenced for a while" in text(picture, frame())
    apply(picture, make, silenced=True, rhythm="high")
    assert "⊘ what stood before is silenced" in text(picture, frame())


def test_one_alarm_leads_and_the_others_are_grouped_under_it(picture: Picture, make: Any) -> None:
    """The first cause is named; followers are listed small, last among those to acknowledge."""
    followers = ["bench-1/strap:closed", "room-2/rail:closed"]
    apply(
        picture,
        make,
        make.alarm_line("bench-1/strap:closed"),
        make.alarm_line("bench-1/bond:closed"),
        leading="bench-1/bond:closed",
        cause=["bench-1/common_point"],
        grouped=followers,
        sentence="Way to earth open at the common point: bag the board. Call maintenance.",
    )
    shown = text(picture, frame())
    assert "  first cause: common point; grouped under it: strap:closed, room-2/rail:closed\n" in shown
    assert "to acknowledge (2)  bench-1/bond:closed (high)   bench-1/strap:closed (high)" in shown
    for letters in (*(large("Way to earth open at the") or ()), *(large("common point") or ())):
        assert letters in shown, "a long headline stands in two rows"
    assert "(open at skin, band, cord, jack, 2 more with it)" in text(picture, frame(250, 9))


def test_stretches_that_can_not_be_told_apart_are_all_named(picture: Picture, make: Any) -> None:
    """The view claims no more than the wiring tells."""
    apply(picture, make, cause=["bench-1/cord", "bench-1/jack"], grouped=["bench-1/strap:upper"])
    assert "first cause: cord or jack; grouped under it: strap:upper" in text(picture, frame())


def test_nothing_that_is_hidden_is_out_of_sight(picture: Picture, make: Any) -> None:
    """Shelved, out of service, suppressed: each with its end; and what waits for a reset."""
    apply(
        picture,
        make,
        make.alarm_line("bench-2/mat:upper", state="shelved", until="2031-03-02T08:20:00.000000Z"),
        make.alarm_line("bench-2/mat:fault", state="out of service"),
        make.alarm_line("bench-1/strap:closed", state="suppressed by design"),
        make.alarm_line("bench-2/tip:upper", state="latched acknowledged"),
        make.alarm_line("bench-2/tip:lower", state="latched unacknowledged"),
        make.alarm_line("room-2/humidity:lower", state="acknowledged", priority="low"),
        live=True,
        live_until="2031-03-02T10:00:00.000000Z",
    )
    shown = text(picture, frame(130, 45))
    assert "bench-2/mat:upper shelved until 08:20:00" in shown
    assert "bench-2/mat:fault out of service until put back" in shown
    assert "bench-1/strap:closed suppressed by live work until 10:00:00" in shown
    assert "waits for reset (1)  bench-2/tip:upper" in shown
    assert "to acknowledge (1)  bench-2/tip:lower (high, latched)" in shown
    assert "acknowledged (1)  room-2/humidity:lower" in shown


def test_more_hidden_alarms_than_room_are_counted(picture: Picture, make: Any) -> None:
    """The first line of each kind stays, with the number and a mark that it goes on."""
    hidden = [make.alarm_line(f"bench-2/mat:limit-{n}", state="out of service") for n in range(9)]
    waiting = [make.alarm_line(f"bench-1/mat:limit-{n}") for n in range(9)]
    apply(picture, make, *hidden, *waiting)
    lines = draw(picture, frame())
    assert len(lines) == 24
    assert max(line.cell_len for line in lines) <= 80
    plain = [line.plain.rstrip() for line in lines]
    for begins in ("to acknowledge (9)  bench-1/mat:limit-0", "hidden (9)  bench-2/mat:limit-0"):
        first = next(index for index, line in enumerate(plain) if line.startswith(begins))
        assert any(line.endswith("…") for line in plain[first : first + 4]), begins


def test_an_alarm_that_is_shelved_moves_to_the_hidden_ones(picture: Picture, make: Any) -> None:
    """By its event, whose end is on the watcher's monotonic clock; and back when it is unshelved."""
    picture.apply(EventLine.parse(make.strap_alarm()), 0.0)
    shelved = make.strap_alarm("shelved")
    shelved["body"]["until_ns"] = shelved["monotonic_ns"] + 1_200_000_000_000
    picture.apply(EventLine.parse(shelved), 0.0)
    shown = text(picture, frame())
    assert "hidden (1)  bench-1/strap:closed shelved until 08:20:01" in shown
    assert "08:00:01  bench-1  shelved until 08:20:01: Strap path open" in shown
    assert "to acknowledge" not in shown
    picture.apply(EventLine.parse(make.strap_alarm("unacknowledged")), 0.0)
    assert "hidden" not in text(picture, frame())


def test_what_presses_is_large_before_others_are_drawn(picture: Picture, make: Any) -> None:
    """A held bench gives way to the long headline of an open one."""
    apply(picture, make, sentence="Way to earth open at the common point: bag the board.")
    shown = text(picture, frame(height=20))
    for letters in large("common point") or ():
        assert letters in shown
    assert "bench-2 ● HELD All watched paths held." in shown


def test_danger_at_a_held_bench_is_neither_green_nor_small(picture: Picture, make: Any) -> None:
    """Its paths hold, and yet nobody may touch metal."""
    said = "Hands off metal, step back. Call the responsible electrician."
    danger = make.bench_line(sentence=said, rhythm="high", lamp="yellow", flashing=True)
    picture.apply(BenchLine.parse(danger), 9.0)
    lines = draw(picture, frame())
    rows = large("Hands off metal, step back") or large("Hands off metal,") or ()
    drawn = [line for line in lines if any(row in line.plain for row in rows)]
    assert drawn
    assert all("red" in str(span.style) for line in drawn for span in line.spans)


def test_a_lost_watcher_claims_no_live_work_and_no_check(picture: Picture, make: Any) -> None:
    """What was declared may have ended meanwhile."""
    apply(picture, make, live=True, ready="passed", silenced=True, grouped=["bench-1/mat:upper"])
    picture.apply(Gone("gone", 1.0), 5.0)
    shown = text(picture, frame(height=40))
    for claim in ("live work", "checked", "silenced", "first cause"):
        assert claim not in shown


def test_events_are_told_in_the_sites_language(make: Any) -> None:
    """The watcher says which; one that is not known here leaves the source language."""
    for language, said in (
        ("de", "Handgelenkband ohne Erde (high alarm)"),
        ("xx", "Strap path open (high alarm)"),
    ):
        picture = Picture()
        picture.apply(Connected(Greeting.parse({**make.GREETING, "language": language}), b""), 0.0)
        picture.apply(Snapshot.parse(make.two_benches()), 0.0)
        picture.apply(EventLine.parse(make.strap_alarm()), 0.0)
        assert said in text(picture, frame())


@pytest.mark.parametrize("character", "ÄÖÜ()")
def test_other_languages_letters_can_be_large(character: str) -> None:
    """Umlauts differ from the letters they are made of."""
    drawn = large(character)
    assert drawn is not None
    assert drawn != large({"Ä": "A", "Ö": "O", "Ü": "U"}.get(character, " "))
