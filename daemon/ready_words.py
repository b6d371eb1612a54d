"""What the check before work says to whoever does it: the texts of its keys, made to be read aloud.

As in the catalogue of alarms (`quietbench.daemon.sentences`) the texts are the message identifiers of the
translations, every sentence stands whole, and none may hurt. After a change here: ``make messages``.
"""

from __future__ import annotations

from collections.abc import Mapping

from quietbench.daemon.figures import Translate, shown

__all__ = ["WORDS", "say"]

WORDS: dict[str, str] = {
    "say.aid": "This check is an aid and protects nobody by itself: it says what was tried and seen.",
    "say.resistor": "The resistor in a strap's cord limits the current through you: it stays in, always.",
    "say.bagged": "Keep boards in their bags until the check is over, and wear the strap.",
    "ask.red": "Does the lamp of this bench show red, and no other colour?",
    "ask.yellow": "Does the lamp of this bench show yellow, and no other colour?",
    "ask.green": "Does the lamp of this bench show green, and no other colour?",
    "ask.heard": "Switch on the fume extractor and what else is loud at work. Do you hear the buzzer over it?",
    "say.channels": "Looking at every channel of the bench. Wear the strap and sit down.",
    "say.lift": "Seat {seat}: lift the strap off your wrist, hands off all metal, and listen.",
    "say.connect": "Lifted: the buzzer sounds as it would at work. Put the strap on again.",
    "say.connect.quiet": "Lifted: no alarm is due, since the strap is not required now. Put the strap on again.",
    "say.reference": (
        "A known resistor, {ohm}, stands in for the path of {channel}, in the sense wire only. The bench is not "
        "watched by it until it is released."
    ),
    "say.air": "Looking at the air of the room.",
}
"""By key."""


def say(key: str, args: Mapping[str, str], *, translate: Translate = str) -> str:
    """Return the text of a key, filled in. ``ohm`` is a number as text.

    Raises:
        KeyError: the check has no such text, or an argument is missing.
    """
    texts = dict(args)
    if "ohm" in texts:
        texts["ohm"] = shown("mat_resistance", "ohm", texts["ohm"], translate=translate)
    return translate(WORDS[key]).format_map(texts)
