"""Limit profiles: named sets of limits, each number with where it comes from and how sure it is.

The built-in ones are data in ``quietbench.config``. The shock limits stand in a file of their own and belong to
every profile, a site's own included: nothing that says "limit profile" leaves them out.
"""

from __future__ import annotations

import importlib.resources
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path as FilePath

from quietbench.daemon.core.quantities import QUANTITIES
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.complaints import Complaints, validated
from quietbench.daemon.settings.document import Document, Unusable, read_document
from quietbench.daemon.settings.findings import Finding, Report, in_order, nearest_of
from quietbench.daemon.settings.limits import DANGEROUS, LONGEST_ON_DELAY_S, ProfileLimit, ProfileTable
from quietbench.daemon.settings.scan import Path
from quietbench.daemon.settings.units import UNITS, units_of

__all__ = [
    "SHOCK",
    "Profile",
    "built_in_names",
    "built_in_profiles",
    "check_profile",
    "is_path",
    "load_profile",
]

SHOCK = "shock"
"""The profile that is part of all others."""


@dataclass(frozen=True, slots=True)
class Profile:
    """A limit profile; ``limits`` holds its own numbers and after them the shock limits.

    ``unverified``: its numbers were not checked against the edition that it is named after.
    """

    name: str
    title: str
    unverified: bool
    remark: str
    limits: tuple[ProfileLimit, ...]

    @property
    def doubtful(self) -> tuple[ProfileLimit, ...]:
        """Get the limits whose trust says that they are unverified."""
        return tuple(limit for limit in self.limits if "unverified" in limit.trust)


def is_path(reference: str) -> bool:
    """Say whether a reference to a profile is the path of a file rather than a built-in name."""
    return "/" in reference or reference.endswith(".toml")


def built_in_names() -> tuple[str, ...]:
    """Return the names of the built-in profiles."""
    return tuple(sorted(path.stem for path in _folder().glob("*.toml")))


def built_in_profiles() -> Iterator[Profile]:
    """Yield every built-in profile."""
    for name in built_in_names():
        yield load_profile(name)


def load_profile(reference: str, folder: FilePath = FilePath()) -> Profile:
    """Return a built-in profile by name, or a site's own by path (relative to ``folder``).

    Raises:
        ConfigurationError: no such profile, or its file is wrong; the text holds every finding.
    """
    if not is_path(reference) and reference not in built_in_names():
        raise ConfigurationError(
            f"no limit profile {reference!r}; wanted one of {', '.join(built_in_names())}, or the path of a file"
        )
    profile, report = check_profile(reference, folder)
    if profile is None:
        raise ConfigurationError(report.text())
    return profile


def check_profile(reference: str, folder: FilePath = FilePath()) -> tuple[Profile | None, Report]:
    """Read a profile that `is_path` or one of the built-in names points to; return it, or all its findings."""
    path = folder / reference if is_path(reference) else _folder() / f"{reference}.toml"
    try:
        document = read_document(path)
    except Unusable as unusable:
        return None, Report(str(path), (unusable.finding,))
    table, findings = _table(document)
    if table is None or findings:
        return None, Report(str(path), in_order(findings))
    own = tuple(table.limits)
    always = own if table.name == SHOCK and not is_path(reference) else (*own, *_shock_limits())
    return Profile(table.name, table.title, table.unverified, table.remark, always), Report(str(path))


def _folder() -> FilePath:
    return FilePath(str(importlib.resources.files("quietbench.config"))) / "profiles"


def _shock_limits() -> tuple[ProfileLimit, ...]:
    table, _ = _table(read_document(_folder() / f"{SHOCK}.toml"))
    return tuple(table.limits) if table is not None else ()


def _table(document: Document) -> tuple[ProfileTable | None, list[Finding]]:
    result = validated(ProfileTable, document.raw)
    complaints = Complaints(document)
    if result.errors:
        complaints.add(result.errors, ProfileTable.model_json_schema())
    findings = list(complaints.findings())
    limits = document.raw.get("limits")
    if result.value is not None and isinstance(limits, list):
        findings += _content_findings(document, result.value.limits)
    return result.value, findings


def _content_findings(document: Document, limits: list[ProfileLimit]) -> Iterator[Finding]:
    seen: set[tuple[str, str, int | None]] = set()
    reserved = {(limit.quantity, limit.name) for limit in _reserved(document)}
    for number, limit in enumerate(limits):
        path: Path = ("limits", number)
        key = (limit.quantity, limit.name, limit.conductors)
        if key in seen:
            wanted = "each name once for a quantity"
            yield document.finding((*path, "name"), "limit given twice", wanted=wanted)
        elif key[:2] in reserved:
            wanted = "another name: this one is a shock limit, which belongs to every profile"
            yield document.finding((*path, "name"), "a reserved name", wanted=wanted)
        seen.add(key)
        yield from _unit_findings(document, path, limit)
        yield from _alarm_findings(document, path, limit)


def _reserved(document: Document) -> tuple[ProfileLimit, ...]:
    return () if document.folder == _folder().absolute() else _shock_limits()


def _alarm_findings(document: Document, path: Path, limit: ProfileLimit) -> Iterator[Finding]:
    if limit.danger and limit.quantity not in DANGEROUS:
        wanted = f"false, or a limit of {' or '.join(DANGEROUS)}"
        yield document.finding(
            (*path, "danger"), f"{limit.quantity} tells of no danger to people", wanted=wanted
        )
    if limit.danger and limit.priority != "high":
        yield document.finding((*path, "priority"), "a danger to people that may wait", wanted='"high"')
    urgent = limit.protects or limit.danger or limit.shock
    if urgent and limit.on_delay_s > LONGEST_ON_DELAY_S:
        wanted = f"at most {LONGEST_ON_DELAY_S:g} s where it protects or is a danger"
        yield document.finding((*path, "on_delay_s"), "an alarm held back for too long", wanted=wanted)


def _unit_findings(document: Document, path: Path, limit: ProfileLimit) -> Iterator[Finding]:
    allowed = units_of(QUANTITIES[limit.quantity].unit)
    if limit.unit not in allowed:
        what = f"wrong unit for {limit.quantity}" if limit.unit in UNITS else "unknown unit"
        wanted = " or ".join(f'"{word}"' for word in allowed)
        yield document.finding((*path, "unit"), what, wanted=wanted, nearest=nearest_of(limit.unit, allowed))
