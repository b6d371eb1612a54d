"""The view as lines of text for a terminal of a given size; pure, so that it can be looked at in a test.

From the people's questions, in their order: may I touch the board (large), what let go (the line with the break)
and what to do (bold), what sounds and shows, then the numbers, then what happened. Benches get as much room as
there is, those whose paths are not held first; what does not fit is said, never dropped in silence.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Span, Text

from quietbench.daemon.cli.live.below import (
    INDENT,
    alarm_blocks,
    fitted,
    flowing,
    happening_line,
    other_readings,
    reading_texts,
)
from quietbench.daemon.cli.live.letters import large
from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.pulse import dark, heard
from quietbench.daemon.cli.live.wiring import Ink, break_words, draw_path, folded
from quietbench.daemon.cli.live.words import declared, grouped_words, lamp_words, relay_words
from quietbench.daemon.messages import headline
from quietbench.daemon.socket.lines import BenchLine

_STATE_STYLES = {"held": "bold green", "open": "bold red", "unknown": "bold yellow", "empty": "bold"}
_LAMP_STYLES = {
    "green": "green",
    "red": "bold red",
    "yellow": "bold yellow",
    "white": "",
    "unknown": "bold yellow",
}
_MARK_STYLES = {"live": "bold magenta", "missing": "bold yellow", "failed": "bold red", "silenced": "bold"}
_URGENCY = {"open": 0, "unknown": 1, "held": 2, "empty": 3}
_SENTENCE_STYLES = {"green": "bold green", "red": "bold red", "yellow": "bold yellow", "white": "bold"}
_STRIP_CELLS = 12
_WIDE = 100
_PRESSING = frozenset({"open", "unknown"})
_BELOW = (2, 1)  # lines that alarms, readings and events keep each

# How much of a bench is drawn; each level holds all of the one before.
LINE, PLAIN, LARGE, HUGE = range(4)


@dataclass(frozen=True, slots=True)
class Frame:
    """What a drawing depends on besides the picture: size in cells, time, characters, a caption, hints."""

    width: int
    height: int
    now_s: float
    clock: str
    ink: Ink
    large_letters: bool = True
    caption: str | None = None
    hint: str = ""


def draw(picture: Picture, frame: Frame) -> list[Text]:
    """Return the view, at most ``frame.height`` lines of ``frame.width`` cells."""
    top = _top(picture, frame)
    foot = [_foot(frame)]
    body = _body(picture, frame, max(0, frame.height - len(top) - len(foot)))
    lines = [*top, *body, *foot][: frame.height]
    if not frame.ink.unicode:
        lines = [_folded(line) for line in lines]
    for line in lines:
        line.truncate(frame.width, overflow="ellipsis" if frame.ink.unicode else "crop")
    return lines


def _body(picture: Picture, frame: Frame, room: int) -> list[Text]:
    """Return the benches and, below them, alarms, readings and events, in exactly ``room`` lines.

    What stands below gives up room as long as a bench that does not hold could be drawn larger.
    """
    benches = picture.shown_benches()
    blocks, readings = alarm_blocks(picture, frame.width), other_readings(picture, frame.width)
    happenings = [happening_line(told) for told in reversed(picture.happenings)]
    for below in _BELOW:
        alarms = fitted(blocks, 2 * below)
        kept = len(alarms) + min(len(readings), below) + min(len(happenings), below)
        highest = HUGE if below == _BELOW[0] else LARGE
        levels = _levels(picture, benches, frame, room - kept - 1, highest)
        if all(level >= LARGE for bench, level in zip(benches, levels, strict=True) if _presses(bench)):
            break
    lines = [*_stacked(picture, benches, levels, frame, room - kept - 1), Text()]
    others = min(len(readings), below) + min(len(happenings), below)
    lines += fitted(blocks, max(2 * below, room - len(lines) - others))
    spare = room - len(lines) - min(len(happenings), below)
    lines = [*lines, *readings[: max(spare, 0)], *happenings][:room]
    return lines + [Text()] * (room - len(lines))


# --- above and below ---


def _top(picture: Picture, frame: Frame) -> list[Text]:
    lines = [_title(picture, frame)]
    if frame.caption:
        lines += _wrapped(f"» {frame.caption}", "italic", frame.width, indent="")
    if picture.gone is not None:
        lines.append(Text(_capital(picture.gone), "reverse bold"))
    if len(lines) == 1 or frame.height > 22:
        lines.append(Text())
    return lines


def _title(picture: Picture, frame: Frame) -> Text:
    greeting = picture.greeting
    left = (
        "no watcher yet" if greeting is None else f"{greeting.site}, {greeting.watcher}, run {greeting.run}"
    )
    lost = f"  {picture.lost_lines} lines left out" if picture.lost_lines else ""
    right = f"{lost}  {frame.clock} UTC"
    left = left[: max(0, frame.width - len(right))]
    return Text(left.ljust(frame.width - len(right)) + right, "dim")


def _foot(frame: Frame) -> Text:
    ink = frame.ink
    line = Text(style="dim")
    for state, words in (
        ("good", "holds"),
        ("open", "open"),
        ("unknown", "not known"),
        ("unwatched", "not watched"),
    ):
        line.append(f"{ink.link(state, 3)} {words}  ")
    # How to leave goes before what a sign means.
    hint = f"  {frame.hint}" if frame.hint else ""
    explained = ("± one standard uncertainty", "± standard uncertainty", "± uncertainty")
    line.append(next((w for w in explained if line.cell_len + len(w) + len(hint) <= frame.width), ""))
    if line.cell_len + len(hint) <= frame.width:
        line.append(hint)
    return line


# --- benches ---


def _stacked(
    picture: Picture, benches: Sequence[BenchLine], levels: Sequence[int], frame: Frame, room: int
) -> list[Text]:
    """Return the benches below one another; those without room are counted."""
    lines: list[Text] = []
    for index, (bench, level) in enumerate(zip(benches, levels, strict=True)):
        drawing = _bench(picture, bench, frame, level)
        block = [*_space_before(index, len(drawing)), *drawing]
        left_over = len(benches) - index
        if index and len(lines) + len(block) + (left_over > 1) > room:
            return [
                *lines,
                Text(f"and {left_over} more: enlarge the window or name one with --bench", "bold"),
            ]
        lines += block
    return lines


def _levels(
    picture: Picture, benches: Sequence[BenchLine], frame: Frame, room: int, highest: int
) -> list[int]:
    """Raise benches level by level for as long as all still fit, the most urgent first.

    Those that press are readable from afar before the others are drawn at all.
    """
    heights = [
        [len(_bench(picture, bench, frame, level)) for level in range(highest + 1)] for bench in benches
    ]
    levels = [LINE] * len(benches)
    order = sorted(range(len(benches)), key=lambda i: _urgency(benches[i]))
    pressing = [i for i in order if _presses(benches[i])]
    calm = [i for i in order if not _presses(benches[i])]
    steps = [(level, i) for group in (pressing, calm) for level in (PLAIN, LARGE) for i in group]
    for level, i in [*steps, *((HUGE, i) for i in order if highest == HUGE)]:
        tried = [*levels[:i], level, *levels[i + 1 :]]
        if _height([heights[n][at] for n, at in enumerate(tried)]) <= room:
            levels = tried
    return levels


def _presses(bench: BenchLine) -> bool:
    """Say whether a bench must be readable from afar: a path is not held, or something urgent sounds."""
    return bench.state in _PRESSING or bench.rhythm == "high"


def _urgency(bench: BenchLine) -> int:
    return 0 if bench.rhythm == "high" else _URGENCY.get(bench.state, 1)


def _height(heights: Sequence[int]) -> int:
    return sum(height + len(_space_before(index, height)) for index, height in enumerate(heights))


def _space_before(index: int, height: int) -> list[Text]:
    return [Text()] if index and height > 1 else []


def _bench(picture: Picture, bench: BenchLine, frame: Frame, level: int) -> list[Text]:
    if level == LINE:
        return [_bench_line(bench, frame)]
    lines = [_signs(picture, bench, frame), *_declared(bench, frame), *_sentence(bench, frame, level)]
    if bench.grouped:
        lines += _wrapped(grouped_words(bench), "dim", frame.width)
    for path in bench.paths:
        lines += [Text(INDENT).append_text(line) for line in draw_path(path, frame.width - 2, frame.ink)]
    own = [r for r in picture.shown_readings() if r.channel.startswith(f"{bench.bench}/")]
    return lines + flowing("", reading_texts(own, picture), frame.width)


def _bench_line(bench: BenchLine, frame: Frame) -> Text:
    lamp = frame.ink.lamps.get(bench.lamp, "?")
    line = Text(f"{bench.bench} ").append(
        f"{lamp} {bench.state.upper()} ", _STATE_STYLES.get(bench.state, "")
    )
    for mark, _ in declared(bench):
        line.append(f"{frame.ink.marks.get(mark, '')} {mark} ", _MARK_STYLES.get(mark, ""))
    broken = next((break_words(path) for path in bench.paths if break_words(path) != "whole"), None)
    notes = [broken] if broken else []
    notes += [f"{len(bench.grouped)} more with it"] if bench.grouped else []
    return line.append(bench.sentence, "bold").append(f" ({', '.join(notes)})" if notes else "")


def _declared(bench: BenchLine, frame: Frame) -> list[Text]:
    """Return what people have declared, or ought to have done: live work, the check before work, silence."""
    words = [
        Text(f"{frame.ink.marks.get(mark, '')} {said}", _MARK_STYLES.get(mark, ""))
        for mark, said in declared(bench)
    ]
    return flowing("", words, frame.width)


def _signs(picture: Picture, bench: BenchLine, frame: Frame) -> Text:
    """Return the line of what shows and sounds: name, lamp, buzzer, relay; the title gives way first."""
    signs = Text("  ").append_text(_lamp(bench, frame)).append("  ")
    signs.append_text(_buzzer(picture, bench, frame)).append("  ")
    signs.append(f"relay {relay_words(bench)}", "" if bench.relay and bench.lamp != "unknown" else "bold")
    name = Text(
        bench.bench if bench.title in ("", bench.bench) else f"{bench.bench} {bench.title}", "underline"
    )
    name.truncate(max(frame.width - signs.cell_len, len(bench.bench)), overflow="ellipsis")
    return Text().append_text(name).append_text(signs)


def _lamp(bench: BenchLine, frame: Frame) -> Text:
    """Return the lamp: a shape for each colour, on and off where it flashes, and its words."""
    shape = frame.ink.lamps.get(bench.lamp, "?")
    if bench.flashing and dark(frame.now_s):
        shape = frame.ink.dark_lamps.get(bench.lamp, " ")
    return Text().append(shape, _LAMP_STYLES.get(bench.lamp, "")).append(f" {lamp_words(bench)}")


def _buzzer(picture: Picture, bench: BenchLine, frame: Frame) -> Text:
    """Return the buzzer's rhythm as it sounds: the last second or two, now at the right, and its urgency."""
    if bench.rhythm in ("silent", "unknown"):
        return Text(f"buzzer {'silent' if bench.rhythm == 'silent' else 'not known'}")
    elapsed_s = frame.now_s - picture.sounds_since.get(bench.bench, frame.now_s)
    cells = _STRIP_CELLS if frame.width < _WIDE else 2 * _STRIP_CELLS
    strip = frame.ink.strip(heard(bench.rhythm, elapsed_s, 2 * cells))
    return Text("buzzer ").append(strip, "bold").append(f" {bench.rhythm}")


def _sentence(bench: BenchLine, frame: Frame, level: int) -> list[Text]:
    style = "bold red" if bench.rhythm == "high" else _SENTENCE_STYLES.get(bench.lamp, "bold yellow")
    said, todo = headline(bench.sentence)
    for scale in range(level - PLAIN, 0, -1):
        letters = _letters(said, scale, frame, two=scale == 1 and _presses(bench))
        if letters:
            lines = [Text(INDENT + row, style) for row in letters]
            return lines + (_wrapped(todo, "bold", frame.width) if todo else [])
    return _wrapped(bench.sentence, style, frame.width)


def _letters(said: str, scale: int, frame: Frame, *, two: bool) -> tuple[str, ...]:
    """Return a headline in large letters, on ``two`` lines where one is too short; nothing where it does not fit."""
    if not frame.large_letters:
        return ()
    words = said.split()
    for at in range(len(words), 0 if two else len(words) - 1, -1):
        parts = [large(" ".join(part), scale=scale) for part in (words[:at], words[at:]) if part]
        rows = tuple(row for part in parts if part for row in part)
        if all(parts) and max(map(len, rows)) <= frame.width - len(INDENT):
            return rows
    return ()


def _wrapped(text: str, style: str, width: int, *, indent: str = INDENT) -> list[Text]:
    lines = textwrap.wrap(text, max(width - len(indent), 10)) or [""]
    return [Text(indent).append(line, style) for line in lines]


def _folded(line: Text) -> Text:
    """Return a line in plain ASCII; its styles move with their words."""
    spans = [
        Span(len(folded(line.plain[: s.start])), len(folded(line.plain[: s.end])), s.style)
        for s in line.spans
    ]
    return Text(folded(line.plain), style=line.style, spans=spans)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
