"""Everything that is wrong with a configuration, at once.

Two passes. The models tell what is wrong with fields. References, conflicts and limits are checked on the raw tables,
whether or not fields are wrong. Warnings wait until there is no error: half of them would be echoes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

from quietbench.daemon.settings.advice import advice, secret_file_findings
from quietbench.daemon.settings.bench_rules import bench_findings, judged_findings
from quietbench.daemon.settings.channels import ChannelTable
from quietbench.daemon.settings.complaints import Complaints, Validated, validated
from quietbench.daemon.settings.conflicts import conflict_findings
from quietbench.daemon.settings.context import ChannelPlace, Context
from quietbench.daemon.settings.devices import (
    COMMON_KEYS,
    driver_class,
    driver_names,
    option_values,
    points_by_table,
    points_of,
)
from quietbench.daemon.settings.document import Document, Unusable, at, read_document, table_of
from quietbench.daemon.settings.findings import Finding, Report, in_order, nearest_of
from quietbench.daemon.settings.judgement import judge
from quietbench.daemon.settings.models import Configuration
from quietbench.daemon.settings.references import reference_findings
from quietbench.daemon.settings.rules import Rules
from quietbench.daemon.settings.site_profiles import site_profiles
from quietbench.daemon.settings.trees import trees_of
from quietbench.drivers.pins import pin_factory_names

__all__ = ["Inspection", "check_file", "inspect"]


@dataclass(frozen=True, slots=True)
class Inspection:
    """A file looked at: the report, and if that has no error all that a plan is compiled from."""

    report: Report
    folder: FilePath
    configuration: Configuration | None = None
    options: dict[str, Any] | None = None
    context: Context | None = None


def check_file(path: FilePath | str) -> Report:
    """Return all findings about a configuration file; raises nothing, whatever the file holds."""
    return inspect(path).report


def inspect(path: FilePath | str) -> Inspection:
    """Look at a configuration file."""
    path = FilePath(path)
    try:
        document = read_document(path)
    except Unusable as unusable:
        return Inspection(Report(str(path), (unusable.finding,)), path.parent)
    return _Inspector(document).inspect()


class _Inspector:
    """The passes over one document."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._complaints = Complaints(document)
        self._findings: list[Finding] = []
        self._options: dict[str, Any] = {}
        self._points: dict[str, tuple[str, ...]] = {}

    def inspect(self) -> Inspection:
        whole = validated(Configuration, self._document.raw)
        if whole.errors:
            errors = tuple(error for error in whole.errors if not _echoes_factory(self._document, error))
            self._complaints.add(errors, Configuration.model_json_schema())
        for name, device in self._document.tables("devices"):
            self._device(name, device)
        profiles, rules = site_profiles(self._document, self._findings)
        context = self._context(rules)
        self._findings += self._complaints.findings()
        self._findings += reference_findings(context)
        self._findings += conflict_findings(context)
        self._findings += secret_file_findings(context)
        self._findings += bench_findings(context)
        if rules is not None:
            self._findings += _limit_findings(context, rules)
            if not self._findings:
                self._findings += judged_findings(context, rules)
        if not self._findings:
            self._findings += advice(context, profiles)
        return self._result(whole, context)

    def _result(self, whole: Validated, context: Context) -> Inspection:
        report = Report(self._document.name, in_order(self._findings))
        folder = self._document.folder
        if not report.ok:
            return Inspection(report, folder)
        return Inspection(report, folder, whole.value, self._options, context)

    def _device(self, name: str, raw: dict[str, Any]) -> None:
        self._points[name] = points_by_table(raw)
        word = raw.get("driver")
        if not isinstance(word, str):
            return
        driver = driver_class(word)
        if isinstance(driver, str):
            self._findings.append(_no_driver(self._document, name, word, driver))
            self._points[name] = ()
            return
        self._device_options(name, raw, driver)

    def _device_options(self, name: str, raw: dict[str, Any], driver: Any) -> None:
        model, base = driver.options, ("devices", name)
        values = option_values(raw, model)
        schema = model.model_json_schema()
        known = (*COMMON_KEYS, *schema.get("properties", {}))
        strange = {key for key in values if key not in known}
        result = validated(model, {key: value for key, value in values.items() if key not in strange})
        self._complaints.add(result.errors, schema, base)
        for key in strange:
            self._complaints.unknown(base, key, tuple(dict.fromkeys(known)))
        if result.value is not None:
            self._options[name] = result.value
            self._points[name] = points_of(driver, result.value)

    def _context(self, rules: Rules | None) -> Context:
        misspelt = self._complaints.sections_misspelt()
        channels = tuple(_channels(self._document))
        return Context(self._document, trees_of(self._document.raw), channels, self._points, rules, misspelt)


def _echoes_factory(document: Document, error: Mapping[str, Any]) -> bool:
    """Say whether an error is about options of a pin factory that does not exist, which is told as such."""
    factory = at(document.raw, ("gpio", "factory"))
    said_by_model = error["loc"] == ("gpio",) and error["type"] == "value_error"
    return said_by_model and factory not in pin_factory_names()


def _no_driver(document: Document, name: str, word: str, trouble: str) -> Finding:
    path = ("devices", name, "driver")
    if word in driver_names():
        return document.finding(path, trouble, wanted="a driver that can be loaded")
    wanted = "one of " + ", ".join(driver_names())
    return document.finding(path, "no such driver", wanted=wanted, nearest=nearest_of(word, driver_names()))


def _channels(document: Document) -> Iterator[ChannelPlace]:
    for section in ("benches", "rooms"):
        for place, table in document.tables(section):
            for name, raw in table_of(table, "channels").items():
                if isinstance(raw, dict):
                    yield ChannelPlace(section, place, name, raw, validated(ChannelTable, raw).value)


def _limit_findings(context: Context, rules: Rules) -> Iterator[Finding]:
    for channel in context.channels:
        if channel.table is None:
            continue
        for trouble in judge(channel.table, rules).troubles:
            path = (*channel.path, *trouble.path)
            yield context.document.finding(
                path, trouble.what, got=trouble.got, wanted=trouble.wanted, nearest=trouble.nearest
            )
