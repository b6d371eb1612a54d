"""What followers are told of benches and alarms, in the site's language, as the published schema has it."""

from __future__ import annotations

import dataclasses
import importlib.resources
import json
from typing import Any

import jsonschema
import pytest

from quietbench.daemon.clock import Clock
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.records import Event, Sentence
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.watcher.views import Views
from tests.core.plans import BOND, MAT, MAT_GOOD, PRESENCE, STRAP, one_bench

S = 1_000_000_000
WHO = {"person": "p1", "role": "lead", "why": "test", "uid": 0}
SCHEMA = json.loads(
    (importlib.resources.files("quietbench.config") / "schemas" / "socket.json").read_text("utf-8")
)


class Served:
    """A core with one bench, strap open, and what is served of it."""

    def __init__(self, language: str = "en") -> None:
        plan = one_bench()
        bench = dataclasses.replace(plan.benches[0], strap_off_above_v=50.0, ready_every_ns=3600 * S)
        self.clock = Clock(known_by="always")
        self.now = self.clock.monotonic_ns()
        self.core = Core(dataclasses.replace(plan, benches=(bench,)), self.now)
        self.views = Views(plan, lambda: 3, self.clock, language)
        self.core.start(self.now, {}, {})
        for channel, raw in ((PRESENCE, 1), (STRAP, 1), (MAT, MAT_GOOD), (BOND, 1), (STRAP, 0)):
            self.now += S
            self.outputs = self.core.feed(channel, self.now, raw)

    def do(self, do: str, **fields: Any) -> None:
        self.core.command({"do": do, **fields, **WHO}, self.now)

    def bench(self) -> dict[str, Any]:
        [given] = self.core.annunciations()
        return checked("bench", self.views.bench(given, self.core.benches["b"]))

    def alarms(self) -> dict[str, dict[str, Any]]:
        return {a.name: checked("alarm", self.views.alarm(a)) for a in self.core.alarms()}


def checked(what: str, line: dict[str, Any]) -> dict[str, Any]:
    jsonschema.Draft202012Validator({"$defs": SCHEMA["$defs"], "$ref": f"#/$defs/{what}"}).validate(line)
    return line


def test_a_shelved_alarm_is_served_with_its_end() -> None:
    """And one that stands without."""
    served = Served()
    assert served.alarms()["b/strap:closed"]["until"] is None
    served.do("shelve", alarm="b/strap:closed", for_s=600.0)
    shelved = served.alarms()["b/strap:closed"]
    assert (shelved["state"], shelved["until"]) == ("shelved", served.views.time(served.now + 600 * S))


def test_live_work_is_served_with_its_end_and_without_asking_for_the_strap() -> None:
    """The strap's alarm is suppressed, not gone."""
    served = Served()
    assert (served.bench()["live"], served.bench()["live_until"]) == (False, None)
    served.do("live", bench="b", for_s=600.0)
    bench = served.bench()
    assert bench["live"] is True
    assert bench["live_until"] == served.views.time(served.now + 600 * S)
    assert bench["sentence"].startswith("Live work: straps off as declared.")
    assert served.alarms()["b/strap:closed"]["state"] == "suppressed by design"


def test_the_check_before_work_is_served_as_missing_passed_and_failed() -> None:
    """In the words of the schema."""
    served = Served()
    served.core.feed(STRAP, served.now + S, 1)
    assert (served.bench()["ready"], served.bench()["sentence"][:11]) == ("missing", "Not checked")
    for result in ("passed", "failed"):
        served.do("ready", bench="b", result=result)
        assert served.bench()["ready"] == result


def test_an_alarm_that_never_stood_claims_nothing() -> None:
    """Out of service, and no word of an open path."""
    served = Served()
    served.do("remove", alarm="b/mat:change")
    assert (
        served.alarms()["b/mat:change"]["sentence"] == "Mat resistance: no alarm since the watcher started."
    )


def test_the_sites_language_is_that_of_every_sentence() -> None:
    """Of benches, of alarms, and of events on their way to a broker."""
    served = Served("de")
    said = "Handgelenkband ohne Erde: Hände weg von der Baugruppe. Band, Kabel und Buchse prüfen."
    assert served.bench()["sentence"] == said
    assert served.alarms()["b/strap:closed"]["sentence"] == said
    event = next(o for o in served.outputs if isinstance(o, Event) and o.kind.value == "alarm")
    assert served.views.say_body(event.body) == said
    assert served.views.say_body({"bench": "b"}) == ""
    assert served.views.say(Sentence("held")) == "Alle überwachten Wege halten."


def test_a_language_without_sentences_is_refused_at_the_start() -> None:
    """Not when the first alarm comes."""
    with pytest.raises(ConfigurationError, match="no sentences in this language"):
        Served("fr")
