"""What a scenario's timeline can make happen, each with its own keys, and the parts of the model that it moves."""

from __future__ import annotations

import abc
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from quietbench.simulators.modbus_rtu import Mode
from quietbench.simulators.modbus_slave import DEFAULT_LATE_S
from quietbench.simulators.model.stretches import Joint

if TYPE_CHECKING:
    from quietbench.simulators.model.bench import Bench


class Strict(BaseModel):
    """A table with no other keys than its own."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class _AtBench(Strict, abc.ABC):
    """Something that happens at one bench, ``at_s`` seconds of model time after the start."""

    at_s: float = Field(ge=0.0)
    bench: str

    @abc.abstractmethod
    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future; happenings are planned in order of time."""


class Arrive(_AtBench):
    """Somebody comes to the bench."""

    do: Literal["arrive"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.arrive(self.at_s)


class Leave(_AtBench):
    """They go; the band comes off before."""

    do: Literal["leave"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.leave(self.at_s)


class StrapOn(_AtBench):
    """The band goes on."""

    do: Literal["strap_on"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.worn.set(self.at_s, True)


class StrapOff(_AtBench):
    """The band comes off."""

    do: Literal["strap_off"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.worn.set(self.at_s, False)


class Work(_AtBench):
    """The hands begin to move."""

    do: Literal["work"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.working.set(self.at_s, True)


class Rest(_AtBench):
    """The hands rest."""

    do: Literal["rest"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.working.set(self.at_s, False)


class DrySkin(_AtBench):
    """The skin's resistance becomes ``factor`` times what it would be."""

    do: Literal["dry_skin"]
    factor: float = Field(gt=0.0, le=1000.0)

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.person.dryness.set(self.at_s, self.factor)


class WearCord(_AtBench):
    """The cord is now worn to ``wear``: 0 new, 1 broken through."""

    do: Literal["wear_cord"]
    wear: float = Field(ge=0.0, le=1.0)

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.cord.wear.set(self.at_s, self.wear)


class TearCord(_AtBench):
    """The cord's conductor opens and stays open."""

    do: Literal["tear_cord"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.cord.torn.set(self.at_s, True)


class ReplaceCord(_AtBench):
    """A new cord is put in."""

    do: Literal["replace_cord"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.cord.mend(self.at_s)


class LoosenMatLead(_AtBench):
    """The mat lead's screw works loose within ``over_s`` seconds; 0 pulls it off at once."""

    do: Literal["loosen_mat_lead"]
    over_s: float = Field(ge=0.0)

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.mat_lead.loosen(self.at_s, self.over_s)


class FastenMatLead(_AtBench):
    """The mat lead's screw is tightened."""

    do: Literal["fasten_mat_lead"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        bench.mat_lead.fasten(self.at_s)


class Part(_AtBench):
    """A joint comes apart."""

    do: Literal["part"]
    stretch: Literal["common_point", "jack", "band", "mat"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        _joint(bench, self.stretch).parted.set(self.at_s, True)


class Join(_AtBench):
    """A joint is put together again."""

    do: Literal["join"]
    stretch: Literal["common_point", "jack", "band", "mat"]

    def plan(self, bench: Bench) -> None:
        """Write it into the bench's future."""
        _joint(bench, self.stretch).parted.set(self.at_s, False)


class Fault(Strict):
    """A slave starts to misbehave, or with mode "ok" stops to."""

    at_s: float = Field(ge=0.0)
    do: Literal["fault"]
    port: str
    address: int = Field(ge=1, le=247)
    mode: Mode
    late_s: float = Field(default=DEFAULT_LATE_S, ge=0.0)


class Unplug(Strict):
    """A serial adapter is pulled out."""

    at_s: float = Field(ge=0.0)
    do: Literal["unplug"]
    port: str


class Replug(Strict):
    """A serial adapter is put in again."""

    at_s: float = Field(ge=0.0)
    do: Literal["replug"]
    port: str


BenchHappening = (
    Arrive
    | Leave
    | StrapOn
    | StrapOff
    | Work
    | Rest
    | DrySkin
    | WearCord
    | TearCord
    | ReplaceCord
    | LoosenMatLead
    | FastenMatLead
    | Part
    | Join
)
PortHappening = Fault | Unplug | Replug
Happening = Annotated[BenchHappening | PortHappening, Field(discriminator="do")]


def _joint(bench: Bench, stretch: str) -> Joint:
    joint = bench.stretches[stretch]
    assert isinstance(joint, Joint)
    return joint
