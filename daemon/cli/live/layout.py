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

from quietbench.daemon.cli.live.letters import large
from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.pulse import dark, heard
from quietbench.daemon.cli.live.wiring import Ink, break_words, draw_path, folded
from quietbench.daemon.cli.live.words import Happening, lamp_words, reading_words, relay_words
from quietbench.daemon.messages import headline
from quietbench.daemon.socket.lines import BenchLine, ReadingLine

_STATE_STYLES = {"held": "bold green", "open": "bold red", "unknown": "bold yellow", "empty": "bold"}
_LAMP_STYLES = {
    "green": "green",
    "red": "bold red",
    "yellow": "bold yellow",
    "white": "",
    "unknown": "bold yellow",
}
_PRIORITIES = {"high": 0, "medium": 1, "low": 2}
_URGENCY = {"open": 0, "unknown": 1, "held": 2, "empty": 3}
_STRIP_CELLS = 12
_WIDE = 100
_PRESSING = frozenset({"open", "unknown"})
_BELOW = (2, 1)  # lines that alarms, readings and events keep each
_INDENT = "  "

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
    alarms, readings = _alarms(picture, frame), _readings(picture, frame)
    happenings = [_happening(told) for told in reversed(picture.happenings)]
    for below in _BELOW:
        kept = min(len(alarms), below) + min(len(readings), below) + min(len(happenings), below)
        highest = HUGE if below == _BELOW[0] else LARGE
        levels = _levels(picture, benches, frame, room - kept - 1, highest)
        if all(
            level >= LARGE for bench, level in zip(benches, levels, strict=True) if bench.state in _PRESSING
        ):
            break
    lines = [*_stacked(picture, benches, levels, frame, room - kept - 1), Text(), *alarms[:below]]
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
    line.append("± one standard uncertainty")
    if frame.hint and line.cell_len + len(frame.hint) + 2 <= frame.width:
        line.append(f"  {frame.hint}")
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
    """Raise benches level by level, the most urgent first, for as long as all still fit."""
    heights = [
        [len(_bench(picture, bench, frame, level)) for level in range(highest + 1)] for bench in benches
    ]
    levels = [LINE] * len(benches)
    order = sorted(range(len(benches)), key=lambda i: _URGENCY.get(benches[i].state, 1))
    for level in range(PLAIN, highest + 1):
        for i in order:
            tried = [*levels[:i], level, *levels[i + 1 :]]
            if _height([heights[n][at] for n, at in enumerate(tried)]) <= room:
                levels = tried
    return levels


def _height(heights: Sequence[int]) -> int:
    return sum(height + len(_space_before(index, height)) for index, height in enumerate(heights))


def _space_before(index: int, height: int) -> list[Text]:
    return [Text()] if index and height > 1 else []


def _bench(picture: Picture, bench: BenchLine, frame: Frame, level: int) -> list[Text]:
    if level == LINE:
        return [_bench_line(bench, frame)]
    lines = [_signs(picture, bench, frame), *_sentence(bench, frame, level)]
    for path in bench.paths:
        lines += [Text(_INDENT).append_text(line) for line in draw_path(path, frame.width - 2, frame.ink)]
    own = [r for r in picture.shown_readings() if r.channel.startswith(f"{bench.bench}/")]
    return lines + _flowing("", _reading_words(own, picture), frame.width)


def _bench_line(bench: BenchLine, frame: Frame) -> Text:
    lamp = frame.ink.lamps.get(bench.lamp, "?")
    line = Text(f"{bench.bench} ").append(
        f"{lamp} {bench.state.upper()} ", _STATE_STYLES.get(bench.state, "")
    )
    broken = next((break_words(path) for path in bench.paths if break_words(path) != "whole"), None)
    return line.append(bench.sentence, "bold").append(f" ({broken})" if broken else "")


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
    style = _STATE_STYLES.get(bench.state, "bold")
    said, todo = headline(bench.sentence)
    for scale in range(level - PLAIN, 0, -1):
        letters = large(said, scale=scale) if frame.large_letters else None
        if letters and max(map(len, letters)) <= frame.width - len(_INDENT):
            lines = [Text(_INDENT + row, style) for row in letters]
            return lines + (_wrapped(todo, "bold", frame.width) if todo else [])
    return _wrapped(bench.sentence, style, frame.width)


# --- readings and events ---


def _alarms(picture: Picture, frame: Frame) -> list[Text]:
    """Return the alarms that wait for an acknowledgement, by the names that "acknowledge" takes."""
    waiting = sorted(picture.waiting_alarms(), key=lambda alarm: _PRIORITIES.get(alarm.priority, 0))
    words = [Text(f"{alarm.alarm} ({alarm.priority})", "bold") for alarm in waiting]
    return _flowing(f"to acknowledge ({len(words)})", words, frame.width)


def _readings(picture: Picture, frame: Frame) -> list[Text]:
    """Return the readings of no drawn bench: rooms and the watcher's own health, the doubtful ones first."""
    places: dict[str, list[ReadingLine]] = {}
    for reading in picture.shown_readings():
        places.setdefault(reading.channel.partition("/")[0], []).append(reading)
    lines: list[Text] = []
    for place, readings in sorted(places.items(), key=lambda item: all(map(_is_well, item[1]))):
        if place not in picture.benches:
            lines += _flowing(place, _reading_words(readings, picture), frame.width)
    return lines


def _is_well(reading: ReadingLine) -> bool:
    return reading.quality == "good" and not (reading.quantity == "watcher_health" and not reading.value)


def _reading_words(readings: Sequence[ReadingLine], picture: Picture) -> list[Text]:
    if not readings or picture.gone is None:
        return [Text(reading_words(reading), _reading_style(reading)) for reading in readings]
    first, *others = [Text(reading_words(reading), "dim") for reading in readings]
    return [Text("last: ", "bold").append_text(first), *others]


def _flowing(name: str, words: Sequence[Text], width: int) -> list[Text]:
    """Return pieces one after the other, in as many lines as they need: what matters is never cut."""
    if not words:
        return []
    lines = [Text(f"{name}  " if name else _INDENT)]
    for piece in words:
        if lines[-1].cell_len > len(_INDENT) and lines[-1].cell_len + piece.cell_len > width:
            lines.append(Text(_INDENT))
        lines[-1].append_text(piece).append("   ")
    for line in lines:
        line.rstrip()
    return lines


def _reading_style(reading: ReadingLine) -> str:
    return {"good": "", "uncertain": "yellow", "bad": "bold yellow"}.get(reading.quality, "bold yellow")


def _happening(told: Happening) -> Text:
    line = Text(f"{told.clock}  ", "dim")
    return line.append(f"{told.place}  " if told.place else "").append(
        told.text, "bold" if told.warns else ""
    )


def _wrapped(text: str, style: str, width: int, *, indent: str = _INDENT) -> list[Text]:
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
