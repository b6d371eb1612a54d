"""Turn SI values into the text people read.

Pure text work, shared by the message catalogue, the command line and whatever face comes next, so that a
value looks the same everywhere. Rounding follows JCGM 100:2008 (GUM) 7.2.6: the uncertainty with two
significant digits, the value to the same place. The number after ± is one standard uncertainty.

``translate`` turns words and the decimal sign into another language; `words` lists all that it can be asked for.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_UP, Decimal

Translate = Callable[[str], str]

NO_VALUE = "no value"
DECIMAL_SIGN = "."

_PREFIXES = ((1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"))
_SCALED = frozenset({"ohm", "V", "V/m", "s", "A"})
_SENSES = {">": "more than {value}", "<": "less than {value}"}

# What 1 and 0 mean, where a quantity is no number.
_CONTACT_WORDS = {
    "strap_contact": ("closed", "open"),
    "earth_bond": ("closed", "open"),
    "presence": ("somebody", "nobody"),
    # A tester that finds nothing has not shown that a wiring is good.
    "outlet_wiring": ("no fault shown", "wrong"),
    "watcher_health": ("well", "not well"),
    "board_out": ("out of its bag", "in its bag"),
    "tool_hot": ("hot", "cold"),
    "button": ("pressed", "not pressed"),
}

_WANTED = {"<": "below {bound}", "<=": "at most {bound}", ">": "above {bound}", ">=": "at least {bound}"}

_REASON_WORDS = {
    "silent": "no answer",
    "late": "answer too late",
    "unplugged": "not there",
    "bad_checksum": "garbled answer",
    "refused": "device refuses",
    "railed": "input at its end",
    "out_of_span": "out of span",
    "stuck": "not moving",
    "overdue_calibration": "calibration overdue",
    "warming_up": "warming up",
    "self_test": "self test",
    "no_clock": "clock not known",
    "store_failing": "store not written",
    "sink_refused": "far end refuses",
    "not_started": "not read yet",
}


@dataclass(frozen=True, slots=True)
class Scale:
    """How an SI unit is shown: ``shown = si * factor + offset`` in ``unit``."""

    factor: float
    unit: str
    offset: float = 0.0


_SHOWN_UNITS = {
    ("relative_humidity", "1"): Scale(100.0, "%RH"),
    ("air_temperature", "K"): Scale(1.0, "°C", -273.15),
}


def figure(
    quantity: str,
    unit: str,
    value: float | None,
    *,
    u: float | None = None,
    sense: str = "=",
    translate: Translate = str,
) -> str:
    """Return a value as people read it: "22.41 ± 0.30 Mohm", "more than 340 Mohm", "closed".

    ``value`` and ``u`` are in ``unit`` (SI); ``sense`` is "=", ">" or "<". Without a finite value the text is
    `NO_VALUE`.
    """
    if value is None or not math.isfinite(value):
        return translate(NO_VALUE)
    if quantity in _CONTACT_WORDS and value in (0.0, 1.0):
        return translate(_CONTACT_WORDS[quantity][0 if value else 1])
    scale = _scale(quantity, unit, value, u)
    shown_value = value * scale.factor + scale.offset
    if sense in _SENSES:
        number = _signed(_bound(shown_value, sense), translate)
        return translate(_SENSES[sense]).format(value=f"{number} {scale.unit}".rstrip())
    number = _number(shown_value, None if u is None else u * scale.factor)
    return f"{_signed(number, translate)} {scale.unit}".rstrip()


def words() -> tuple[str, ...]:
    """Return every text that `figure`, `shown` and `wanted` ask a translation of."""
    contacts = (word for pair in _CONTACT_WORDS.values() for word in pair)
    return tuple(dict.fromkeys((DECIMAL_SIGN, NO_VALUE, *_SENSES.values(), *_WANTED.values(), *contacts)))


def reason_words(reason: str) -> str:
    """Return a reason of the closed list in words; an unknown one with its underscores opened."""
    return _REASON_WORDS.get(reason, reason.replace("_", " "))


def shown(quantity: str, unit: str, text: str, *, sense: str = "=", translate: Translate = str) -> str:
    """Return a number given as text the way `figure` shows it; what is no number stays as it is."""
    try:
        number = float(text)
    except ValueError:
        return text
    return figure(quantity, unit, number, sense=sense, translate=translate)


def wanted(quantity: str, unit: str, requirement: str, bound: str, *, translate: Translate = str) -> str:
    """Return what a limit asks for: "at least 30 %RH"; ``requirement`` is "<", "<=", ">" or ">="."""
    said = shown(quantity, unit, bound, translate=translate)
    return translate(_WANTED[requirement]).format(bound=said) if requirement in _WANTED else said


def _signed(number: str, translate: Translate) -> str:
    return number.replace(DECIMAL_SIGN, translate(DECIMAL_SIGN))


def _scale(quantity: str, unit: str, value: float, u: float | None) -> Scale:
    special = _SHOWN_UNITS.get((quantity, unit))
    if special is not None:
        return special
    if unit == "1":
        return Scale(1.0, "")
    if unit not in _SCALED:
        return Scale(1.0, unit)
    # An uncertainty larger than the value would otherwise be a row of digits that say nothing.
    size, prefix = _prefix(max(abs(value), abs(u or 0.0)))
    if unit == "ohm" and size < 1.0:
        size, prefix = 1.0, ""  # nobody should have to tell mohm from Mohm
    return Scale(1.0 / size, prefix + unit)


def _prefix(magnitude: float) -> tuple[float, str]:
    if magnitude == 0.0:
        return 1.0, ""
    for size, prefix in _PREFIXES:
        # A hair below 1000 would be rounded up to "1000 k": it belongs to the next prefix.
        if magnitude >= size * 0.9995:
            return size, prefix
    return _PREFIXES[-1]


def _number(value: float, u: float | None) -> str:
    if not u or not math.isfinite(u):
        return _plain(Decimal(f"{value:.3e}"))
    shown_u = Decimal(f"{u:.1e}")
    place = Decimal(1).scaleb(int(shown_u.as_tuple().exponent))
    shown_value = Decimal(repr(value)).quantize(place, rounding=ROUND_HALF_EVEN)
    return f"{_whole(shown_value)} ± {_whole(shown_u)}"


def _bound(value: float, sense: str) -> str:
    """Return a bound with two digits, rounded to the side that claims less."""
    number = Decimal(f"{value:.6e}")
    place = Decimal(1).scaleb(number.adjusted() - 1)
    down = (sense == ">") == (value >= 0)
    return _plain(number.quantize(place, rounding=ROUND_DOWN if down else ROUND_UP))


def _plain(number: Decimal) -> str:
    """Drop zeros that say nothing: an exact number has no last significant digit to show."""
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _whole(number: Decimal) -> str:
    text = f"{number:f}"
    return text[1:] if re.fullmatch(r"-0(\.0*)?", text) else text
