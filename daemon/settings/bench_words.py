"""What the keys of a bench name: its seats and tools their ends, and all of them channels of the same bench."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.settings.benches import BenchTable
from quietbench.daemon.settings.context import Context, Unknowns
from quietbench.daemon.settings.document import at, table_of
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.scan import Path

__all__ = ["BUTTONS", "STRAPS", "Word", "bench_words", "end_paths", "word_findings"]

BUTTONS = ("silence_button", "ready_button", "live_button")
STRAPS = ("strap_contact", "strap_resistance")
_REFERRED = ("strap_resistance", "mat_resistance", "tip_resistance")


class Word(NamedTuple):
    """A place of the file that names a channel of its bench, and what that channel must measure."""

    path: Path
    word: str
    quantities: tuple[str, ...]


def word_findings(context: Context, unknowns: Unknowns) -> Iterator[Finding]:
    """Yield words that stand for the wrong thing; those that stand for nothing go to ``unknowns``."""
    for bench, table in context.document.tables("benches"):
        yield from _ends(context, bench, table, unknowns)
        if not _channels_misspelt(table):
            for word in bench_words(bench, table):
                yield from _channel(context, bench, word, unknowns)


def bench_words(bench: str, table: dict[str, Any]) -> Iterator[Word]:
    """Yield every word of a bench's table that names one of its channels."""
    for path, quantities in _places(table):
        for place, word in _texts(path, at(table, path)):
            yield Word(("benches", bench, *place), word, quantities)


def _places(table: dict[str, Any]) -> Iterator[tuple[Path, tuple[str, ...]]]:
    for seat in table_of(table, "seats"):
        yield ("seats", seat, "presence"), ("presence",)
        yield ("seats", seat, "footwear"), ("footwear_resistance",)
    for tool in table_of(table, "tools"):
        yield ("tools", tool, "hot"), ("tool_hot",)
    yield ("board",), ("board_out",)
    for key in BUTTONS:
        yield (key,), ("button",)
    references = table.get("references")
    for number in range(len(references) if isinstance(references, list) else 0):
        yield ("references", number, "channel"), _REFERRED


def _texts(path: Path, value: Any) -> Iterator[tuple[Path, str]]:
    """Yield the words under a key that holds one, or a list of them."""
    if isinstance(value, str):
        yield path, value
    for number, word in enumerate(value if isinstance(value, list) else ()):
        if isinstance(word, str):
            yield (*path, number), word


def end_paths(bench: str, table: dict[str, Any]) -> Iterator[tuple[Path, str, str]]:
    """Yield path, end and owner for every seat and tool of a bench."""
    for section, kind in (("seats", "seat"), ("tools", "tool")):
        for name, content in table_of(table, section).items():
            end = content.get("end") if isinstance(content, dict) else None
            if isinstance(end, str):
                yield ("benches", bench, section, name, "end"), end, f"{kind} {name}"


def _ends(context: Context, bench: str, table: dict[str, Any], unknowns: Unknowns) -> Iterator[Finding]:
    nodes, ends = context.trees.places.get(bench, {}), context.trees.ends(bench)
    taken: dict[str, str] = {}
    for path, end, owner in end_paths(bench, table):
        if not nodes:
            # That there is no tree is told already.
            return
        if end not in nodes:
            unknowns.use("node of the earth tree", end, path, tuple(nodes), owner=bench)
        elif end not in ends:
            wanted = f"one of {', '.join(ends)}" if ends else "a node on which nothing hangs"
            yield context.document.finding(path, "no end: something hangs on this node", wanted=wanted)
        elif end in taken:
            what = f"an end that {taken[end]} has already"
            yield context.document.finding(path, what, wanted="an end of its own")
        else:
            taken[end] = owner


def _channel(context: Context, bench: str, word: Word, unknowns: Unknowns) -> Iterator[Finding]:
    channels = table_of(context.document.raw, "benches", bench, "channels")
    fitting = tuple(name for name in channels if _quantity(channels, name) in word.quantities)
    if word.word not in channels:
        what = f"channel of {bench} with quantity {_either(word.quantities)}"
        unknowns.use(what, word.word, word.path, fitting, owner=bench)
        return
    quantity = _quantity(channels, word.word)
    if quantity in QUANTITIES and quantity not in word.quantities:
        what = f"this channel is {quantity}"
        some = f" ({', '.join(fitting)})" if fitting else ""
        wanted = f"a channel with quantity {_either(word.quantities)}{some}"
        yield context.document.finding(word.path, what, wanted=wanted)


def _quantity(channels: dict[str, Any], name: str) -> str:
    quantity = table_of(channels, name).get("quantity")
    return quantity if isinstance(quantity, str) else ""


def _either(words: tuple[str, ...]) -> str:
    return " or ".join(words)


def _channels_misspelt(table: dict[str, Any]) -> bool:
    """Say whether a bench's channels stand under a misspelt key, which is told already."""
    unknown = (given for given in table if given not in BenchTable.model_fields)
    return "channels" not in table and any(nearest_of(given, ("channels",)) for given in unknown)
