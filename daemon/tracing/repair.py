"""Did the repair work: before against after, and how many quiet hours it takes until that can be said.

Shown means: with 95 % confidence the rate fell to less than a fifth. Given all bursts before and after, those after
are binomial; the exact upper limit of their share bounds the ratio of the rates, and so carries the uncertainty
of the rate before: 9 bursts before need 2.0 times the hours before, 5 need 4.1, 1 needs 95. The countdown never
starts anew: a burst after the repair is counted, and the hours are computed again.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import betaincinv

from quietbench.daemon.tracing.counting import RateRatio, two_rates

_FRACTION = 0.2
_CONFIDENCE = 0.95
_TOO_LONG = 20.0  # times the hours before: "can't be shown"


@dataclass(frozen=True, slots=True)
class Countdown:
    """How far the proof is. ``hours_left`` is None when it can't be shown; 0 when it is.

    ``hours_needed`` is counted from the repair on; ``upper_ratio`` is what the rate is at most of the one before.
    """

    before: int
    before_hours: float
    after: int
    after_hours: float
    upper_ratio: float
    hours_needed: float
    hours_left: float | None
    shown: bool
    ratio: RateRatio


def hours_factor(
    before: float, after: float = 0.0, *, fraction: float = _FRACTION, confidence: float = _CONFIDENCE
) -> float:
    """Return how many times the hours before are needed after, with so many bursts before and after.

    Infinite where no burst came before: nothing can fall from nothing.
    """
    if before <= 0:
        return float("inf")
    share = float(betaincinv(after + 1, before, confidence))
    return share / (1 - share) / fraction if share < 1 else float("inf")


def countdown(
    before: int, before_hours: float, after: int, after_hours: float, *, dispersion: float = 1.0
) -> Countdown:
    """Return where the proof of a repair stands.

    Raises:
        ValueError: no observed time before the repair.
    """
    if before_hours <= 0:
        raise ValueError(f"got {before_hours} observed hours before the repair, wanted more than 0")
    factor = hours_factor(before / dispersion, after / dispersion)
    needed = factor * before_hours
    upper = factor * _FRACTION * before_hours / after_hours if after_hours > 0 else float("inf")
    shown = upper <= _FRACTION
    left = 0.0 if shown else None if factor > _TOO_LONG else max(needed - after_hours, 0.0)
    ratio = (
        two_rates(before, before_hours, after, after_hours, dispersion=dispersion)
        if after_hours > 0
        else RateRatio(float("nan"), 0.0, float("inf"), 1.0)
    )
    return Countdown(before, before_hours, after, after_hours, upper, needed, left, shown, ratio)


def sentence(proof: Countdown) -> str:
    """Say it as a technician would."""
    bursts = "1 burst" if proof.before == 1 else f"{proof.before} bursts"
    seen = "no dropout since" if proof.after == 0 else f"{proof.after} since"
    if proof.before == 0:
        return "No burst before the repair is put down to this part, so nothing can show that it helped."
    if proof.shown:
        return (
            f"Shown: with 95 % confidence the rate is less than a fifth of what it was ({bursts} in"
            f" {proof.before_hours:.1f} h before, {seen} in {proof.after_hours:.1f} h)."
        )
    if proof.hours_left is None:
        return (
            f"It can't be shown in a reasonable time: {bursts} in {proof.before_hours:.1f} h before ({seen})"
            f" would need {proof.hours_needed:.0f} h in use. Judge by eye and meter."
        )
    return (
        f"{proof.hours_left:.1f} more hours in use without a dropout until you can be 95 % sure that the rate fell to"
        f" less than a fifth ({bursts} in {proof.before_hours:.1f} h before, {seen} in {proof.after_hours:.1f} h)."
    )
