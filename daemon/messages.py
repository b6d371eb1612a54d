"""The catalogue of sentences for the operator: what let go, and what to do.

A sentence is one or two short ones, made to be read from three metres: first what is so, up to the first
colon or full stop, then what to do. The core only names a key and its arguments; faces and sinks render. The
texts here are the message identifiers: a translation puts another function in place of `render`'s
``translate`` (gettext's has the same shape), so every sentence stands whole, and nothing is pieced together
from words that another language would order otherwise.

No sentence may hurt: none tells anybody to bridge the resistor in a cord, to touch mains or earthing work, or
says that a bench is free of risk.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.figures import shown, wanted

__all__ = ["CATALOGUE", "headline", "render"]

CATALOGUE: dict[str, str] = {
    # --- the bench as a whole ---
    "held": "All watched paths held.",
    "empty": "Nobody at this bench: put the strap on before you unpack a board.",
    "open": "A path is open: take your hands off the board.",
    "unknown": "Paths can't be told: keep boards in their bags and call maintenance.",
    "starting": "Just started: keep boards in their bags until the first readings are in.",
    "unwatched": "Nothing watches the {stretch}: keep boards in their bags until it has been checked.",
    # --- a path that lets go ---
    "open.strap_contact": "Strap path open: take your hands off the board. Check band, cord and jack.",
    "open.strap_resistance.high": (
        "Strap path open: take your hands off the board. Tighten the band, then try another cord."
    ),
    "open.strap_resistance.low": (
        "Strap resistance too low: take the strap off and take its cord out of use. Hands off the board."
    ),
    "open.mat_resistance.high": (
        "Mat path open: lift the board off the mat into its bag. Check the mat's snap and lead."
    ),
    "open.mat_resistance.low": (
        "Mat resistance too low: lift the board off the mat into its bag. Look for metal under the mat."
    ),
    "open.earth_bond": "Way to earth open: bag the board. Call maintenance; leave the earthing alone.",
    "open.tip_resistance.high": (
        "Tip path open: put the iron in its stand. Have the tip changed when it is cold, and measured."
    ),
    "open.tip_resistance.low": "Tip reading too low: put the iron in its stand and call maintenance.",
    # --- a path that let go and is back, while its alarm waits to see that it stays ---
    "back.strap_contact": "Strap path let go, closed again: hands off the board. Check band, cord and jack.",
    "back.earth_bond": "Way to earth let go, closed again: bag the board. Call maintenance.",
    "back": "{what} let go, back again: hands off the board. Check its leads.",
    # --- a limit that warns ---
    "limit.strap_contact": "Strap contact open: take your hands off the board. Check band, cord and jack.",
    "limit.strap_resistance.high": "Strap resistance high: {value}, wanted {wanted}. Tighten the band.",
    "limit.strap_resistance.low": (
        "Strap resistance too low: {value}, wanted {wanted}. Take this cord out of use."
    ),
    "limit.mat_resistance.high": "Mat resistance high: {value}, wanted {wanted}. Clean the mat.",
    "limit.mat_resistance.low": "Mat resistance low: {value}, wanted {wanted}. Look for metal under the mat.",
    "limit.earth_bond": "Way to earth open: put the board in its bag. Call maintenance.",
    "limit.tip_resistance.high": "Tip resistance high: {value}, wanted {wanted}. Have the tip cleaned.",
    "limit.tip_resistance.low": "Tip resistance low: {value}, wanted {wanted}. Have the iron measured.",
    "limit.tip_voltage": "Voltage on the tip: {value}, wanted {wanted}. Take the iron off the board.",
    "limit.earth_offset": (
        "Two earths differ: {value}, wanted {wanted}. Put the board in its bag and call maintenance."
    ),
    "limit.outlet_wiring": "Outlet wired wrong: plug nothing in. Have a licensed electrician look at it.",
    "limit.supply_voltage": "Mains voltage off: {value}, wanted {wanted}. Call maintenance.",
    "limit.supply_transients": "Spikes on the mains: {value}, wanted {wanted}. Look for what switches now.",
    "limit.static_field": "Static field: {value}, wanted {wanted}. Take plastics off the bench.",
    "limit.body_voltage": "Charge on the body: {value}, wanted {wanted}. Check the strap.",
    "limit.ioniser_offset": "Ioniser out of balance: {value}, wanted {wanted}. Clean its emitter points.",
    "limit.ioniser_decay": "Ioniser slow: {value}, wanted {wanted}. Clean its emitter points, check its aim.",
    "limit.relative_humidity.low": "Air too dry: {value}, wanted {wanted}. Tell facilities.",
    "limit.relative_humidity.high": "Air too damp: {value}, wanted {wanted}. Tell facilities.",
    "limit.air_temperature.low": "Air too cold: {value}, wanted {wanted}. Tell facilities.",
    "limit.air_temperature.high": "Air too warm: {value}, wanted {wanted}. Tell facilities.",
    "limit.presence": "Presence: {value}, wanted {wanted}.",
    "limit.watcher_health": "The watcher is not well: {channel}. Tell the lead technician.",
    "limit": "{what}: {value}, wanted {wanted}. Tell the lead technician.",
    # --- a measurement that can't be trusted; ".path" where it watches a way to earth ---
    "fault.silent": "{what} not measured: no answer. Check the sensor's plug and cable.",
    "fault.silent.path": "{what} not measured: bag the board. Check the sensor's plug and cable.",
    "fault.late": "{what} not measured: answers too late. Call maintenance.",
    "fault.late.path": "{what} not measured: bag the board. The sensor answers too late; call maintenance.",
    "fault.unplugged": "{what} not measured: its sensor is not there. Plug it in.",
    "fault.unplugged.path": "{what} not measured: bag the board. The sensor is not there; plug it in.",
    "fault.bad_checksum": "{what} not measured: garbled answers. Check cable and other devices on the bus.",
    "fault.bad_checksum.path": "{what} not measured: bag the board. Answers are garbled; check the cable.",
    "fault.refused": "{what} not measured: the device refuses. Call maintenance.",
    "fault.refused.path": "{what} not measured: bag the board. The device refuses; call maintenance.",
    "fault.railed": "{what} not measured: the input is at its end. Check the sensor's lead.",
    "fault.railed.path": "{what} not measured: bag the board. The input is at its end; check its lead.",
    "fault.out_of_span": "{what} out of the sensor's span: check the sensor and its place.",
    "fault.out_of_span.path": "{what} out of span: bag the board. Check the sensor and its lead.",
    "fault.stuck": "{what} does not move: the sensor may be dead. Call maintenance.",
    "fault.stuck.path": "{what} does not move: bag the board. The sensor may be dead; call maintenance.",
    "fault.overdue_calibration": "{what}: calibration is overdue. Tell the lead technician.",
    "fault.warming_up": "{what} not ready: the sensor warms up. Wait.",
    "fault.warming_up.path": "{what} not ready: keep boards in their bags while the sensor warms up.",
    "fault.self_test": "{what} not ready: the sensor tests itself. Wait.",
    "fault.self_test.path": "{what} not ready: keep boards in their bags while the sensor tests itself.",
    "fault.no_clock": "Clock not known: readings go on without the time of day. Tell the lead technician.",
    "fault.store_failing": "Records not written: the bench is watched all the same. Call maintenance.",
    "fault.sink_refused": "Nothing sent to {channel}: records wait in the store. Tell the lead technician.",
    "fault.not_started": "{what} not read yet: wait for the first reading.",
    "fault.not_started.path": "{what} not read yet: keep boards in their bags until the first reading is in.",
    "fault": "{what} not measured: call maintenance.",
    "fault.path": "{what} not measured: bag the board and call maintenance.",
}
"""By key. One key of the core has several sentences where direction (low, high) or ".path" matters."""

_UNSAID = {"place": "here", "channel": "a channel", "stretch": "a stretch", "value": "out of its limit"}
_TOO_LOW = frozenset({">", ">="})


def render(key: str, args: Mapping[str, str], *, translate: Callable[[str], str] = str) -> str:
    """Return the sentence of a key, filled in; never raises.

    ``args`` are texts: ``place``, ``channel`` (its word), ``what`` (the quantity's name), ``stretch``,
    ``value``, ``u``, ``sense``, ``bound`` and ``unit`` (SI numbers as text), ``requirement``. What is missing
    gets plain words; a key that is not in the catalogue the sentence of its family, or its own words.
    """
    template = next((CATALOGUE[name] for name in _candidates(key, args) if name in CATALOGUE), None)
    if template is None:
        return _capital(key.replace(".", ": ").replace("_", " ")) + "."
    return _capital(translate(template).format_map(_Words(_shown_args(key, args))))


def headline(sentence: str) -> tuple[str, str]:
    """Split a sentence into what is so, to be shown large, and what to do."""
    ends = [at for at in (sentence.find(": "), sentence.find(". ")) if at >= 0]
    if not ends:
        return sentence.rstrip("."), ""
    end = min(ends)
    return sentence[:end], _capital(sentence[end + 2 :])


class _Words(dict[str, str]):
    """Arguments with plain words for what is missing, so that a sentence always comes out whole."""

    def __missing__(self, name: str) -> str:
        return _UNSAID.get(name, "this")


def _candidates(key: str, args: Mapping[str, str]) -> tuple[str, ...]:
    family = key.partition(".")[0]
    suffix = _suffix(family, args)
    return (key + suffix, key, f"{key}.high", family + suffix, family)


def _suffix(family: str, args: Mapping[str, str]) -> str:
    if family == "fault":
        quantity = QUANTITIES.get(args.get("what", ""))
        return ".path" if quantity is not None and quantity.path else ""
    return ".low" if args.get("requirement") in _TOO_LOW else ".high"


def _shown_args(key: str, args: Mapping[str, str]) -> dict[str, str]:
    quantity = args.get("what") or key.partition(".")[2]
    known = QUANTITIES.get(quantity)
    unit = args.get("unit") or (known.unit if known else "")
    texts = dict(args)
    if "stretch" in args:
        texts["stretch"] = args["stretch"].rpartition("/")[2].replace("_", " ")
    if "value" in args:
        texts["value"] = shown(quantity, unit, args["value"], sense=args.get("sense", "="))
    if "bound" in args:
        texts["bound"] = shown(quantity, unit, args["bound"])
    texts["wanted"] = wanted(quantity, unit, args.get("requirement", ""), args.get("bound", "another value"))
    texts["what"] = _capital(known.label if known else quantity.replace("_", " ") or "a channel")
    return texts


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
