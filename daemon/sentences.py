"""The catalogue: every sentence for the operator in its source language, and the words that fill them.

A sentence is one or two short ones, made to be read from three metres: first what is so, up to the first
colon or full stop, then what to do. These texts are the message identifiers of the translations in ``locale/``, so
every sentence stands whole, and nothing is pieced together from words that another language would order otherwise.
After a change here: ``make messages``.

No sentence may hurt: none tells anybody to bridge the resistor in a cord, to touch mains or earthing work, or
says that a bench is free of risk. None asks for the strap while it may be off by declaration.
"""

from __future__ import annotations

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.figures import words
from quietbench.daemon.ready_words import WORDS

__all__ = ["ANYTHING", "CATALOGUE", "UNSAID", "source_texts"]

CATALOGUE: dict[str, str] = {
    # --- the bench as a whole ---
    "held": "All watched paths held.",
    "empty": "Nobody at this bench: put the strap on before you unpack a board.",
    "open": "A path is open: take your hands off the board.",
    "unknown": "Paths can't be told: keep boards in their bags and call maintenance.",
    "starting": "Just started: keep boards in their bags until the first readings are in.",
    "unwatched": "Nothing watches the {stretch}: keep boards in their bags until it has been checked.",
    # --- declared, or to be done before work ---
    "live_work": (
        "Live work: straps off as declared. Boards stay in their bags until it is over and the bench is checked."
    ),
    "ready_missing": "Not checked before work: keep boards in their bags. Do this bench's ready check.",
    "ready_failed": "Check before work failed: keep boards in their bags. Tell the lead technician.",
    # --- danger to people: leads every other sentence ---
    "danger": "Hands off metal, step back. Call the responsible electrician.",
    "danger.earth_offset": (
        "Hands off metal, step back: {value} between two earths. Call the responsible electrician."
    ),
    "danger.outlet_wiring": (
        "Hands off metal, step back: line and earth may be swapped. Call the responsible electrician."
    ),
    "danger.supply_voltage": (
        "Hands off metal, step back: supply voltage {value}. Call the responsible electrician."
    ),
    # --- a path that lets go ---
    "open.shared": (
        "Way to earth open at the {stretch}: bag the board. Call maintenance; leave the earthing alone."
    ),
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
    "open.footwear_resistance.high": (
        "Footwear and floor too high: hands off the board. Change the footwear, then have it tested again."
    ),
    "open.footwear_resistance.low": (
        "Footwear and floor too low: hands off the board. Change the footwear, then have it tested again."
    ),
    # --- a path that let go and is back, while its alarm waits to see that it stays ---
    "back.strap_contact": "Strap path let go, closed again: hands off the board. Check band, cord and jack.",
    "back.earth_bond": "Way to earth let go, closed again: bag the board. Call maintenance.",
    "back.footwear_resistance": "Footwear and floor tested anew: go on when nothing else is shown.",
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
    "limit.supply_voltage.high": "Supply voltage high: {value}, wanted {wanted}. Call maintenance.",
    "limit.supply_voltage.low": (
        "Supply lost or low: bag the board. Don't reset the protective device again and again; call maintenance."
    ),
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
    "limit.board_out": "Board out of its bag: put it back into its bag.",
    "limit.tool_hot": "Tool hot: put it in its stand or switch it off.",
    "limit.footwear_resistance.high": "Footwear and floor high: {value}, wanted {wanted}. Change the footwear.",
    "limit.footwear_resistance.low": "Footwear and floor low: {value}, wanted {wanted}. Change the footwear.",
    "limit.button": "Button pressed: let it go. If it sticks, call maintenance.",
    "limit.watcher_health": "The watcher is not well: {channel}. Tell the lead technician.",
    "limit": "{what}: {value}, wanted {wanted}. Tell the lead technician.",
    # --- an alarm that is shelved or out of service and has not stood yet ---
    "not_stood": "{what}: no alarm since the watcher started.",
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

UNSAID = {
    "place": "here",
    "channel": "a channel",
    "stretch": "a stretch",
    "value": "out of its limit",
    "bound": "another value",
}
"""Plain words for an argument that is missing."""

ANYTHING = "this"

_STRETCHES = (
    "skin",
    "band",
    "cord",
    "jack",
    "common point",
    "mat",
    "mat lead",
    "tip",
    "tool",
    "tool lead",
    "footwear",
    "floor",
    "panel",
)
"""Names of stretches that many sites use; any other is said as the configuration has it."""


def source_texts() -> dict[str, str]:
    """Return every text that is asked a translation of, by `quietbench.daemon.messages` or the check before work."""
    texts = {text: f"sentence {key}" for key, text in CATALOGUE.items()}
    texts |= {text: f"check before work {key}" for key, text in WORDS.items()}
    texts |= {quantity.label: f"quantity {quantity.name}" for quantity in QUANTITIES.values()}
    texts |= dict.fromkeys(_STRETCHES, "stretch of the earth tree")
    texts |= {text: f"said for a missing {name}" for name, text in UNSAID.items()}
    texts |= {ANYTHING: "said for anything else that is missing"}
    return texts | {text: "value" if len(text) > 1 else "the decimal sign" for text in words()}
