"""Mistakes in channels, conversions and limits."""

from __future__ import annotations

from .mistakes import Mistake

MAT_CONVERSION = "[benches.bench-1.channels.mat.conversion]"
LOOP_CONVERSION = 'conversion = { kind = "divider", series_ohm = 2e6, leakage_a = 2e-11 }'
HUMIDITY_CONVERSION = 'conversion = { kind = "linear", scale = 0.1, unit = "%RH", u = 1.0 }'
UPPER = 'limits.upper = { priority = "medium" }'
HEADER_STRAP = "[benches.bench-1.channels.strap]"
HEADER_LOOP = "[benches.bench-1.channels.loop]"
HEADER_MAT = "[benches.bench-1.channels.mat]"

MISTAKES = (
    # -- channels
    Mistake("quantity misspelt", '"strap_contact"', '"strap_contakt"', "quantity", '"strap_contact"', at=""),
    Mistake("quantity missing", 'quantity = "strap_contact"\n', "", "quantity", "missing", at=HEADER_STRAP),
    Mistake(
        "quantity key misspelt",
        'quantity = "strap_contact"',
        'quantitty = "strap_contact"',
        "quantitty",
        '"quantity"',
    ),
    Mistake(
        "quantity of the watcher",
        '"presence"\nsource',
        '"watcher_health"\nsource',
        "quantity",
        "one of",
        at="",
    ),
    Mistake("source misspelt", 'source = "strap-1"', 'source = "strap-l"', "source", '"strap-1"'),
    Mistake("source missing", 'source = "strap-1"\n', "", "source", "missing", at=HEADER_STRAP),
    Mistake(
        "source used twice",
        'source = "presence-1"',
        'source = "strap-1" # here',
        "source",
        "bench-1/strap uses already",
        at="# here",
    ),
    Mistake(
        "stretch misspelt",
        '"jack", "cord", "band", "skin"]\n\n',
        '"jack", "cord", "bnd", "skin"]\n\n',
        "measures[2]",
        '"band"',
        at='"bnd"',
    ),
    Mistake(
        "path without stretches",
        'measures = ["mat_lead", "mat"]\n',
        "",
        "measures",
        "measuring current",
        at=HEADER_MAT,
    ),
    Mistake(
        "presence with stretches",
        'source = "presence-1"',
        'source = "presence-1"\nmeasures = ["jack"]',
        "measures",
        "presence measures no stretch",
        at='measures = ["jack"]',
    ),
    Mistake("channel key misspelt", "change_factor", "change_facter", "change_facter", '"change_factor"'),
    Mistake(
        "fault after nothing",
        'source = "strap-1"',
        'source = "strap-1"\nfault_after = 0',
        "fault_after",
        "from 1 to 1000",
        at="fault_after",
    ),
    Mistake(
        "heartbeat negative",
        'source = "strap-1"',
        'source = "strap-1"\nheartbeat_s = -1',
        "heartbeat_s",
        "above 0",
        at="heartbeat_s",
    ),
    Mistake(
        "silence of nothing",
        'source = "strap-1"',
        'source = "strap-1"\nsilent_after_s = 0',
        "silent_after_s",
        "above 0",
        at="silent_after_s",
    ),
    Mistake(
        "contact that must move",
        'source = "strap-1"',
        'source = "strap-1"\nstuck_after_s = 600',
        "stuck_after_s",
        "a contact that stays closed is what is wanted",
        at="stuck_after_s",
    ),
    Mistake(
        "path that looks held for a thousand bad polls",
        'source = "strap-1"',
        'source = "strap-1"\nfault_after = 1000',
        "fault_after",
        "at most 5",
        at="fault_after",
    ),
    Mistake(
        "path that looks held for an hour of silence",
        'source = "strap-1"',
        'source = "strap-1"\nsilent_after_s = 3600',
        "silent_after_s",
        "at most 30",
        at="silent_after_s",
    ),
    Mistake(
        "priority unknown",
        'source = "strap-1"',
        'source = "strap-1"\nfault_priority = "hihg"',
        "fault_priority",
        '"high"',
        at="fault_priority",
    ),
    Mistake(
        "conductors of a mat",
        "commissioned_ohm = 2.2e7",
        "commissioned_ohm = 2.2e7\nconductors = 1",
        "conductors",
        "no conductors",
        at="conductors = 1",
    ),
    Mistake("conductors not told", "conductors = 2\n", "", "conductors", "1 or 2", at=HEADER_LOOP),
    Mistake("three conductors", "conductors = 2", "conductors = 3", "conductors", "1 or 2"),
    Mistake(
        "channel name with capitals", HEADER_STRAP, "[benches.bench-1.channels.Strap]", "Strap", '"strap"'
    ),
    # -- conversions
    Mistake(
        "conversion missing",
        HUMIDITY_CONVERSION + "\n",
        "",
        "conversion",
        '"linear"',
        at="[rooms.room-2.channels.hum",
    ),
    Mistake(
        "conversion of another quantity",
        'source = "strap-1"',
        'source = "strap-1"\n' + HUMIDITY_CONVERSION,
        "kind",
        'wanted "contact"',
        at='"%RH"',
    ),
    Mistake(
        "contact for a resistance",
        LOOP_CONVERSION,
        'conversion = { kind = "contact" }',
        "kind",
        '"divider" or "linear"',
    ),
    Mistake(
        "conversion kind misspelt",
        'kind = "linear", scale = 0.1, unit = "%RH"',
        'kind = "liner", scale = 0.1, unit = "%RH"',
        "kind",
        '"linear"',
    ),
    Mistake(
        "conversion kind missing",
        'kind = "linear", scale = 0.1, unit = "%RH"',
        'scale = 0.1, unit = "%RH"',
        "kind",
        "missing",
    ),
    Mistake(
        "unit of another quantity",
        '"%RH", u = 1.0',
        '"°C", u = 1.0',
        "unit",
        "wrong unit for relative_humidity",
    ),
    Mistake("unit misspelt", '"°C"', '"C"', "unit", '"°C"', at=""),
    Mistake("unit in another case", '"%RH", u', '"%rh", u', "unit", '"%RH"'),
    Mistake("unit missing", ', unit = "%RH", u = 1.0', ", u = 1.0", "unit", "missing"),
    Mistake(
        "scale of nothing", 'scale = 0.1, unit = "%RH"', 'scale = 0.0, unit = "%RH"', "scale", "other than 0"
    ),
    Mistake("uncertainty left out", ", u = 1.0", "", "u", "missing", at='unit = "%RH" }'),
    Mistake("span upside down", "u = 1.0", "u = 1.0, low = 100.0, high = 0.0", "low", "less than high"),
    Mistake("divider key misspelt", "series_ohm = 1.0e7", "serie_ohm = 1.0e7", "serie_ohm", '"series_ohm"'),
    Mistake("no series resistor", "series_ohm = 1.0e7", "series_ohm = 0", "series_ohm", "above 0"),
    Mistake("leakage left out", "leakage_a = 3e-11\n", "", "leakage_a", "missing", at=MAT_CONVERSION),
    Mistake(
        "tolerance in percent",
        "series_tolerance = 0.01",
        "series_tolerance = 1",
        "series_tolerance",
        "below 1",
    ),
    Mistake(
        "full scale a fraction", "full_scale = 4096", "full_scale = 4095.5", "full_scale", "whole number"
    ),
    # -- limits
    Mistake("limit of no such name", UPPER, 'limits.uper = { priority = "medium" }', "uper", '"upper"'),
    Mistake(
        "limit without source", ', source = "rule 7"', "", "source", "without its source", at="limits.dry"
    ),
    Mistake(
        "bound changed without source", UPPER, "limits.upper = { bound = 5e8 }", "source", "not the profile's"
    ),
    Mistake("limit named fault", "limits.dry", "limits.fault", "fault", "alarm of the measurement itself"),
    Mistake("relation unknown", '">="', '"=>"', "requirement", '">="'),
    Mistake(
        "relation missing",
        'requirement = ">=", ',
        "",
        "dry",
        "requirement, bound and source",
        at="limits.dry",
    ),
    Mistake("bound as text", "bound = 33", 'bound = "33 %"', "bound", "a number"),
    Mistake(
        "bound in another unit", 'bound = 33, unit = "%RH"', 'bound = 33, unit = "K"', "unit", "wrong unit"
    ),
    Mistake("bound without its unit", 'bound = 33, unit = "%RH"', "bound = 33", "bound", "from 0 to 1"),
    Mistake("limit's unit misspelt", 'bound = 33, unit = "%RH"', 'bound = 33, unit = "%HR"', "unit", '"%RH"'),
    Mistake("limits that contradict", "bound = 33", "bound = 72", "dry", "contradict"),
    Mistake("deadband over the edge", "deadband = 1", "deadband = 70", "deadband", "never clear"),
    Mistake("deadband into another limit", "deadband = 1", "deadband = 40", "dry", "contradict"),
    Mistake("deadband negative", "deadband = 1", "deadband = -1", "deadband", "at least 0"),
    Mistake("delay negative", 'priority = "medium"', "on_delay_s = -5", "on_delay_s", "from 0 to 3600"),
    Mistake("limit's priority misspelt", 'priority = "medium"', 'priority = "medum"', "priority", '"medium"'),
    Mistake("limit's key misspelt", "deadband", "dedband", "dedband", '"deadband"'),
    Mistake(
        "humidity that protects",
        'source = "rule 7"',
        'source = "rule 7", protects = true',
        "protects",
        "watches no path",
    ),
    Mistake(
        "shock limit left out",
        "conductors = 2",
        'conductors = 2\nlimits.shock = { use = false, source = "r" }',
        "use",
        "shock",
        at="limits.shock",
    ),
    Mistake(
        "shock limit made weaker",
        "conductors = 2",
        'conductors = 2\nlimits.shock = { bound = 1e5, source = "r" }',
        "bound",
        "at least 1.5e+06",
        at="limits.shock",
    ),
    Mistake(
        "shock limit by hand",
        "conductors = 2",
        "conductors = 2\nlimits.shock = { entered = true }",
        "entered",
        "by hand",
        at="limits.shock",
    ),
    Mistake("limit left out without source", UPPER, "limits.upper = { use = false }", "source", "left out"),
    Mistake(
        "optional limit not asked for", UPPER, 'limits.cdm_lower = { priority = "low" }', "use", "optional"
    ),
    Mistake(
        "source without a document", 'source = "rule 7"', 'source = { clause = "7" }', "document", "missing"
    ),
    # -- the mat's rule
    Mistake(
        "commissioning left out where needed",
        "commissioned_ohm = 2.2e7\ncommissioned_on = 2031-03-02\nchange_factor = 10\n"
        'limits.upper = { priority = "medium" }\n\n[benches.bench-1.channels.mat.conversion]\nkind = "divider"\n'
        "series_ohm = 1.0e7\nseries_tolerance = 0.01\nfull_scale = 4096\nleakage_a = 3e-11",
        '\n[benches.bench-1.channels.mat.conversion]\nkind = "divider"\nseries_ohm = 1.0e7\nseries_tolerance = 0.01\n'
        "full_scale = 4096\nleakage_a = 1e-8",
        "commissioned_ohm",
        "watches for change",
        at=HEADER_MAT,
    ),
    Mistake(
        "commissioning without its date",
        "commissioned_on = 2031-03-02\n",
        "",
        "commissioned_on",
        "date of commissioning",
        at=HEADER_MAT,
    ),
    Mistake(
        "commissioning without its value",
        "commissioned_ohm = 2.2e7\n",
        "",
        "commissioned_ohm",
        "resistance found",
        at=HEADER_MAT,
    ),
    Mistake("date as text", "2031-03-02", '"2031-03-02"', "commissioned_on", "without quotes"),
    Mistake("date of no day", "2031-03-02", "2031-02-30", "", "not TOML", at=""),
    Mistake("change of nothing", "change_factor = 10", "change_factor = 1", "change_factor", "above 1"),
    Mistake(
        "change that can't be seen",
        "change_factor = 10",
        "change_factor = 10000",
        "change_factor",
        "resolves",
    ),
    Mistake(
        "open at commissioning",
        "commissioned_ohm = 2.2e7",
        "commissioned_ohm = 2.2e9",
        "commissioned_ohm",
        "already open",
        at="",
    ),
    Mistake(
        "commissioning of a humidity",
        'source = "climate.relative_humidity"',
        'source = "climate.relative_humidity"\ncommissioned_ohm = 1.0',
        "commissioned_ohm",
        "is no resistance",
        at="commissioned_ohm = 1.0",
    ),
)
