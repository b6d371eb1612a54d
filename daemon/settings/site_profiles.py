"""The limit profiles that a configuration names: found, read, and compared with each other."""

from __future__ import annotations

from collections.abc import Iterator

from quietbench.daemon.settings.document import Document, at
from quietbench.daemon.settings.findings import Finding, nearest_of
from quietbench.daemon.settings.profiles import Profile, built_in_names, check_profile, is_path
from quietbench.daemon.settings.rules import Rules, clashes, put_together
from quietbench.daemon.settings.scan import Path

__all__ = ["site_profiles"]

_KEY: Path = ("site", "limit_profile")


def site_profiles(document: Document, findings: list[Finding]) -> tuple[tuple[Profile, ...], Rules | None]:
    """Return the profiles of a site and their rules; no rules where one can't be used. Adds what it finds."""
    names = at(document.raw, _KEY)
    several = isinstance(names, list)
    names = names if several else [names]
    if not names or not all(isinstance(name, str) for name in names):
        return (), None
    places = [(*_KEY, number) if several else _KEY for number in range(len(names))]
    found = [_profile(document, place, name, findings) for place, name in zip(places, names, strict=True)]
    profiles = tuple(profile for profile in found if profile is not None)
    if len(profiles) < len(found):
        return profiles, None
    findings += _clash_findings(document, profiles)
    return profiles, put_together(profiles)


def _profile(document: Document, place: Path, name: str, findings: list[Finding]) -> Profile | None:
    known = built_in_names()
    if not is_path(name) and name not in known:
        wanted, near = f"one of {', '.join(known)}, or the path of a file", nearest_of(name, known)
        findings.append(document.finding(place, "no such limit profile", wanted=wanted, nearest=near))
        return None
    profile, report = check_profile(name, document.folder)
    findings += report.findings
    return profile


def _clash_findings(document: Document, profiles: tuple[Profile, ...]) -> Iterator[Finding]:
    found: dict[tuple[str, str], list[str]] = {}
    for clash in clashes(profiles):
        limit = f"{clash.limit.quantity} {clash.limit.name}"
        found.setdefault((clash.first, clash.second), []).append(limit)
    for (first, second), limits in found.items():
        what = f"{first} and {second} give {', '.join(limits)} differently"
        yield document.finding(_KEY, what, wanted="profiles that agree where they meet", got="")
