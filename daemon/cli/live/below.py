"""What stands below the benches: alarms that wait or are hidden, readings of rooms, events; as lines of text.

Nothing is left out in silence: a kind of alarm that has more names than room keeps its first line, with their number.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from rich.text import Text

from quietbench.daemon.cli.live.picture import Picture
from quietbench.daemon.cli.live.words import Happening, hidden_words, reading_words
from quietbench.daemon.socket.lines import AlarmLine, ReadingLine

INDENT = "  "
_PRIORITIES = {"high": 0, "medium": 1, "low": 2}


def alarm_blocks(picture: Picture, width: int) -> list[list[Text]]:
    """Return the alarms by what they wait for, each kind as lines: acknowledgement, reset, the end of hiding, calm.

    Names are those that the commands take.
    """
    followers = {alarm for bench in picture.benches.values() for alarm in bench.grouped}

    def style(alarm: AlarmLine) -> str:
        return "dim" if alarm.alarm in followers else "bold"

    kinds: tuple[tuple[str, list[AlarmLine], Callable[[AlarmLine], Text]], ...] = (
        ("to acknowledge", picture.waiting_alarms(), lambda a: Text(f"{a.alarm} ({_urgency(a)})", style(a))),
        ("waits for reset", picture.latched_alarms(), lambda a: Text(a.alarm, "bold")),
        (
            "hidden",
            picture.hidden_alarms(),
            lambda a: Text(f"{a.alarm} {hidden_words(a, picture.live_until(a))}"),
        ),
        ("acknowledged", picture.acknowledged_alarms(), lambda a: Text(a.alarm, style(a))),
    )
    blocks = []
    for name, alarms, words in kinds:
        alarms.sort(key=lambda alarm: (alarm.alarm in followers, _PRIORITIES.get(alarm.priority, 0)))
        blocks.append(flowing(f"{name} ({len(alarms)})", [words(alarm) for alarm in alarms], width))
    return [block for block in blocks if block]


def fitted(blocks: Sequence[Sequence[Text]], most: int) -> list[Text]:
    """Return blocks in at most ``most`` lines, or one line each; what is cut off is marked."""
    lines: list[Text] = []
    spare = max(most - len(blocks), 0)
    for block in blocks:
        taken = list(block[: 1 + spare])
        spare -= len(taken) - 1
        if len(taken) < len(block):
            taken[-1] = taken[-1].copy().append(" …")
        lines += taken
    return lines


def other_readings(picture: Picture, width: int) -> list[Text]:
    """Return the readings of no drawn bench: rooms and the watcher's own health, the doubtful ones first."""
    places: dict[str, list[ReadingLine]] = {}
    for reading in picture.shown_readings():
        places.setdefault(reading.channel.partition("/")[0], []).append(reading)
    lines: list[Text] = []
    for place, readings in sorted(places.items(), key=lambda item: all(map(_is_well, item[1]))):
        if place not in picture.benches:
            lines += flowing(place, reading_texts(readings, picture), width)
    return lines


def reading_texts(readings: Sequence[ReadingLine], picture: Picture) -> list[Text]:
    """Return readings as pieces to flow; after the watcher is gone they are the last ones known."""
    if not readings or picture.gone is None:
        return [Text(reading_words(reading), _reading_style(reading)) for reading in readings]
    first, *others = [Text(reading_words(reading), "dim") for reading in readings]
    return [Text("last: ", "bold").append_text(first), *others]


def happening_line(told: Happening) -> Text:
    """Return an event as a line."""
    line = Text(f"{told.clock}  ", "dim")
    return line.append(f"{told.place}  " if told.place else "").append(
        told.text, "bold" if told.warns else ""
    )


def flowing(name: str, words: Sequence[Text], width: int) -> list[Text]:
    """Return pieces one after the other, in as many lines as they need: what matters is never cut."""
    if not words:
        return []
    lines = [Text(f"{name}  " if name else INDENT)]
    for piece in words:
        if lines[-1].cell_len > len(INDENT) and lines[-1].cell_len + piece.cell_len > width:
            lines.append(Text(INDENT))
        lines[-1].append_text(piece).append("   ")
    for line in lines:
        line.rstrip()
    return lines


def _urgency(alarm: AlarmLine) -> str:
    return f"{alarm.priority}, latched" if alarm.state.startswith("latched") else alarm.priority


def _is_well(reading: ReadingLine) -> bool:
    return reading.quality == "good" and not (reading.quantity == "watcher_health" and not reading.value)


def _reading_style(reading: ReadingLine) -> str:
    return {"good": "", "uncertain": "yellow", "bad": "bold yellow"}.get(reading.quality, "bold yellow")
