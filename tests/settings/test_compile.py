"""From the file to the plan: full names, SI units, limits with their source; and the watcher's setup."""

from __future__ import annotations

import pwd
import re
from pathlib import Path

import pytest

from quietbench.daemon.core.bench import ways_to_earth
from quietbench.daemon.core.codec import plan_from_json, plan_to_json
from quietbench.daemon.core.convert import Contact, Linear
from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.limits import Zone, zone
from quietbench.daemon.core.plan import Channel, Plan, Priority, Requirement
from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.compile import compile_plan, compile_setup, load, load_setup
from quietbench.daemon.settings.schema import stored_schema
from quietbench.daemon.settings.setup import WatcherSetup
from quietbench.drivers.contact import ContactDriver

from .mistakes import GOOD

EXAMPLES = stored_schema().parents[1] / "examples"
S = 1_000_000_000


def compiled(tmp_path: Path, text: str = GOOD) -> tuple[Plan, WatcherSetup]:
    """Compile a text; its secrets are all "x"."""
    path = tmp_path / "watcher.toml"
    path.write_text(text, encoding="utf-8")
    settings = load(path)
    plan = compile_plan(settings)
    return plan, compile_setup(settings, plan, secret=lambda _: "x")


def channel(plan: Plan, name: str) -> Channel:
    """Return a channel by name."""
    (found,) = (channel for channel in plan.channels if channel.name == name)
    return found


def test_channels_have_full_names_in_the_order_of_the_file(tmp_path: Path) -> None:
    """Benches, rooms, then the watcher's own health."""
    plan, _ = compiled(tmp_path)
    assert [c.name for c in plan.channels] == [
        "bench-1/strap",
        "bench-1/loop",
        "bench-1/mat",
        "bench-1/bond",
        "bench-1/presence",
        "room-2/humidity",
        "room-2/temperature",
        "watcher/store",
        "watcher/clock",
        "watcher/outputs",
        "watcher/sink-broker",
        "watcher/sink-history",
    ]


def test_stretches_have_full_names_and_lead_to_earth(tmp_path: Path) -> None:
    """Those of the site stand in the way of every bench that hangs on them."""
    plan, _ = compiled(tmp_path)
    (bench,) = plan.benches
    skin, mat = ways_to_earth(bench)
    assert skin == (
        "bench-1/skin",
        "bench-1/band",
        "bench-1/cord",
        "bench-1/jack",
        "bench-1/common_point",
        "site/panel",
    )
    assert mat == ("bench-1/mat", "bench-1/mat_lead", "bench-1/common_point", "site/panel")
    assert channel(plan, "bench-1/bond").measures == {"bench-1/common_point", "site/panel"}


def test_every_end_is_required_unless_the_bench_says_so(tmp_path: Path) -> None:
    """The leaves of the tree."""
    plan, _ = compiled(tmp_path, GOOD.replace('required = ["skin", "mat"]\n', ""))
    assert plan.benches[0].required == ("bench-1/skin", "bench-1/mat")


def test_a_bench_without_a_title_has_its_name(tmp_path: Path) -> None:
    """People see something in any case."""
    plan, _ = compiled(tmp_path, GOOD.replace('title = "Fine pitch"\n', ""))
    assert plan.benches[0].title == "bench-1"


def test_units_become_si(tmp_path: Path) -> None:
    """%RH to 1 and °C to K, readings and limits alike."""
    plan, _ = compiled(tmp_path)
    humidity, temperature = channel(plan, "room-2/humidity"), channel(plan, "room-2/temperature")
    assert (humidity.unit, temperature.unit) == ("1", "K")
    assert humidity.conversion.convert(455).value == 0.455
    assert humidity.conversion.convert(455).u == pytest.approx(0.01, rel=1e-3)
    assert temperature.conversion.convert(215).value == pytest.approx(294.65)
    assert {limit.name: limit.bound for limit in temperature.limits} == {"low": 291.15, "high": 303.15}
    assert {limit.name: limit.bound for limit in humidity.limits}["dry"] == 0.33


@pytest.mark.parametrize(
    ("raw", "name", "stands"),
    [
        (300, "low", Zone.VIOLATING),
        (700, "high", Zone.DEADBAND),
        (701, "high", Zone.VIOLATING),
        (350, "low_warning", Zone.DEADBAND),
        (349, "low_warning", Zone.VIOLATING),
    ],
)
def test_a_reading_at_the_very_limit_is_judged_as_written(
    tmp_path: Path, raw: int, name: str, stands: Zone
) -> None:
    """No rounding of units moves a reading across a limit: 30.0 %RH fails "> 30", 70.0 holds "<= 70"."""
    plan, _ = compiled(tmp_path)
    humidity = channel(plan, "room-2/humidity")
    limit = next(limit for limit in humidity.limits if limit.name == name)
    assert zone(limit, humidity.conversion.convert(raw).value) is stands


def test_temperatures_at_the_limit_hold(tmp_path: Path) -> None:
    """18.0 and 30.0 °C belong to the band."""
    plan, _ = compiled(tmp_path)
    temperature = channel(plan, "room-2/temperature")
    low, high = temperature.limits
    assert zone(low, temperature.conversion.convert(180).value) is not Zone.VIOLATING
    assert zone(high, temperature.conversion.convert(300).value) is not Zone.VIOLATING


def test_a_span_in_the_file_is_one_in_si(tmp_path: Path) -> None:
    """Beyond the sensor's span a reading says so."""
    plan, _ = compiled(tmp_path, GOOD.replace("u = 0.2 }", "u = 0.2, low = -40.0, high = 80.0 }"))
    conversion = channel(plan, "room-2/temperature").conversion
    assert isinstance(conversion, Linear)
    assert conversion.resolves() == pytest.approx((233.15, 353.15))


def test_a_contact_on_the_way_to_earth_must_be_closed(tmp_path: Path) -> None:
    """A built-in limit, which says that it is an own rule."""
    plan, _ = compiled(tmp_path)
    for name in ("bench-1/strap", "bench-1/bond"):
        (limit,) = channel(plan, name).limits
        assert (limit.name, limit.requirement, limit.bound) == ("closed", Requirement.AT_LEAST, 1.0)
        assert (limit.priority, limit.protects, limit.entered) == (Priority.HIGH, True, False)
        assert (limit.source.document, limit.source.trust) == ("own rule", "own choice")
        assert isinstance(channel(plan, name).conversion, Contact)
    assert channel(plan, "bench-1/presence").limits == ()


def test_strap_channels_are_gated_where_presence_is_known(tmp_path: Path) -> None:
    """The strap on its hook is no alarm; mat and bond are watched in any case."""
    plan, _ = compiled(tmp_path)
    assert {c.name for c in plan.channels if c.gated} == {"bench-1/strap", "bench-1/loop"}
    assert plan.benches[0].presence == ("bench-1/presence",)


def test_without_presence_nothing_is_gated(tmp_path: Path) -> None:
    """Somebody is always there."""
    text = GOOD.replace(
        '[benches.bench-1.channels.presence]\nquantity = "presence"\nsource = "presence-1"\n', ""
    )
    plan, _ = compiled(tmp_path, text)
    assert not any(c.gated for c in plan.channels)
    assert plan.benches[0].presence == ()


def test_only_the_shock_limit_for_its_conductors_applies(tmp_path: Path) -> None:
    """A loop over two conductors has the bound of two."""
    plan, _ = compiled(tmp_path)
    shocks = [limit.bound for limit in channel(plan, "bench-1/loop").limits if "shock" in limit.name]
    assert shocks == [1.5e6]
    plan, _ = compiled(tmp_path, GOOD.replace("conductors = 2", "conductors = 1"))
    shocks = [limit.bound for limit in channel(plan, "bench-1/loop").limits if "shock" in limit.name]
    assert shocks == [7.5e5, 8.0e5]


def test_faults_of_paths_are_of_high_priority(tmp_path: Path) -> None:
    """Not knowing is not safe; elsewhere medium, of a sink low."""
    plan, _ = compiled(tmp_path)
    priorities = {c.name: c.fault_priority for c in plan.channels}
    assert priorities["bench-1/mat"] is Priority.HIGH
    assert priorities["bench-1/presence"] is Priority.MEDIUM
    assert priorities["watcher/store"] is Priority.MEDIUM
    assert priorities["watcher/sink-broker"] is Priority.LOW


@pytest.mark.parametrize(
    ("name", "silent_s"), [("bench-1/strap", 2.0), ("bench-1/mat", 3.0), ("room-2/humidity", 6.0)]
)
def test_silence_is_three_polls_and_at_least_two_seconds(tmp_path: Path, name: str, silent_s: float) -> None:
    """Strap every 0.1 s, mat every second, humidity every two."""
    plan, _ = compiled(tmp_path)
    assert channel(plan, name).silent_after_ns == silent_s * S


def test_what_a_channel_says_of_itself_goes_before_the_rule(tmp_path: Path) -> None:
    """Silence, heartbeat, faults, thinning and priority."""
    keys = 'silent_after_s = 7\nheartbeat_s = 5\nfault_after = 4\nthin_raw = 9\nfault_priority = "low"'
    plan, _ = compiled(tmp_path, GOOD.replace('source = "mat-1"', f'source = "mat-1"\n{keys}'))
    mat = channel(plan, "bench-1/mat")
    assert (mat.silent_after_ns, mat.heartbeat_ns, mat.fault_after) == (7 * S, 5 * S, 4)
    assert (mat.thin_raw, mat.fault_priority) == (9.0, Priority.LOW)


def test_limits_of_the_profile_may_be_changed_in_manner_alone(tmp_path: Path) -> None:
    """A priority of the site's, the number and its source of the profile."""
    plan, _ = compiled(tmp_path)
    upper = next(limit for limit in channel(plan, "bench-1/mat").limits if limit.name == "upper")
    assert upper.priority is Priority.MEDIUM
    assert (upper.bound, upper.source.document, upper.source.edition) == (1e9, "ANSI/ESD S20.20", "2021")


def test_a_changed_bound_has_the_sites_source(tmp_path: Path) -> None:
    """Never the standard's."""
    changed = (
        'limits.upper = { bound = 500, unit = "Mohm", source = { document = "rule 9", edition = "2030" } }'
    )
    plan, _ = compiled(tmp_path, GOOD.replace('limits.upper = { priority = "medium" }', changed))
    upper = next(limit for limit in channel(plan, "bench-1/mat").limits if limit.name == "upper")
    assert (upper.bound, upper.source.document, upper.source.edition) == (5e8, "rule 9", "2030")
    assert upper.source.trust == "as stated by the site"


def test_an_optional_limit_comes_when_asked_for(tmp_path: Path) -> None:
    """The lower bound for the charged-device model."""
    plan, _ = compiled(tmp_path)
    assert "cdm_lower" not in {limit.name for limit in channel(plan, "bench-1/mat").limits}
    text = GOOD.replace("change_factor = 10", "change_factor = 10\nlimits.cdm_lower = { use = true }")
    plan, _ = compiled(tmp_path, text.replace("series_ohm = 1.0e7", "series_ohm = 5.0e6"))
    assert "cdm_lower" in {limit.name for limit in channel(plan, "bench-1/mat").limits}


def test_a_limit_left_out_with_its_source_is_gone(tmp_path: Path) -> None:
    """The site says why."""
    text = GOOD.replace("limits.dry =", 'limits.low = { use = false, source = "rule 8" }\nlimits.dry =')
    plan, _ = compiled(tmp_path, text)
    assert "low" not in {limit.name for limit in channel(plan, "room-2/humidity").limits}


def test_the_plan_survives_the_store(tmp_path: Path) -> None:
    """Written as canonical JSON and read back it is the same, and the core takes it."""
    plan, _ = compiled(tmp_path)
    assert plan_from_json(plan_to_json(plan)) == plan
    Core(plan, 0)


def test_the_setup_maps_points_to_channels(tmp_path: Path) -> None:
    """The watcher needs no names while it runs."""
    plan, setup = compiled(tmp_path)
    devices = {device.name: device for device in setup.devices}
    climate = devices["climate"]
    assert {point: plan.channels[index].name for point, index in climate.points.items()} == {
        "relative_humidity": "room-2/humidity",
        "air_temperature": "room-2/temperature",
    }
    assert (climate.bus, climate.every_s, climate.deadline_s, climate.options.deadline_s) == (
        "air",
        2.0,
        0.6,
        0.6,
    )
    strap = devices["strap-1"]
    assert strap.driver is ContactDriver
    assert strap.points == {"value": 0}
    assert strap.options.line == 22


def test_paths_of_the_setup_are_absolute(tmp_path: Path) -> None:
    """From the folder of the file, wherever the watcher was started."""
    text = GOOD.replace(
        'factory = "lgpio"\nchip = 0', 'factory = "quietbench-simulator"\naddress = "board.sock"'
    )
    _, setup = compiled(tmp_path, text)
    assert setup.socket == tmp_path / "watcher.sock"
    assert setup.store_folder == tmp_path / "store"
    assert setup.gpio is not None
    assert setup.gpio.address == str(tmp_path / "board.sock")
    air = next(bus for bus in setup.buses if bus.name == "air")
    assert air.settings.port == tmp_path / "ports" / "air"


def test_annunciators_stand_by_bench(tmp_path: Path) -> None:
    """Lines by BCM number, the lamp's by colour."""
    _, setup = compiled(tmp_path)
    given = setup.annunciators["bench-1"]
    assert (given.buzzer, given.relay) == (12, 21)
    assert given.lamp == {"red": 13, "yellow": 16, "green": 18}


def test_the_pages_user_becomes_a_number(tmp_path: Path) -> None:
    """None unless named; one that does not exist is an error at start."""
    assert compiled(tmp_path)[1].page_uid is None
    user = pwd.getpwuid(0).pw_name
    named = GOOD.replace('socket = "watcher.sock"', f'socket = "watcher.sock"\npage_user = "{user}"')
    assert compiled(tmp_path, named)[1].page_uid == 0
    with pytest.raises(ConfigurationError, match="page_user: no such user"):
        compiled(tmp_path, named.replace(f'"{user}"', '"nobody-of-this-name"'))


def test_a_broker_with_tls_has_the_port_for_it(tmp_path: Path) -> None:
    """8883 with, 1883 without, unless the file says another."""
    without_port = GOOD.replace("port = 8883\n", "")
    assert compiled(tmp_path, without_port)[1].sinks[0].options.port == 8883  # type: ignore[union-attr]
    plain = "\n".join(line for line in without_port.splitlines() if not line.startswith("tls ="))
    assert compiled(tmp_path, plain)[1].sinks[0].options.port == 1883  # type: ignore[union-attr]


@pytest.mark.parametrize("example", sorted(EXAMPLES.glob("*.toml")), ids=lambda path: path.stem)
def test_each_example_compiles(example: Path) -> None:
    """And says nothing that its reader would have to wonder about."""
    assert load(example).report.findings == ()
    plan, setup = load_setup(example)
    assert plan.benches
    assert setup.devices
    Core(plan, 0)


def test_the_sinks_of_the_example_are_right_once_they_are_switched_on(tmp_path: Path) -> None:
    """The lines that stand as remarks need only their sign taken away."""
    text = (EXAMPLES / "bench.toml").read_text(encoding="utf-8")
    head, _, sinks = text.partition("#\n# [sinks.broker]\n")
    switched_on = "\n".join(line.removeprefix("#").strip() for line in sinks.splitlines())
    _, setup = compiled(tmp_path, f"{head}[sinks.broker]\n{switched_on}\n")
    assert [sink.name for sink in setup.sinks] == ["broker", "history"]


def test_all_that_stands_as_a_remark_in_the_example_is_right_once_it_is_switched_on(tmp_path: Path) -> None:
    """Every key and table behind a sign: seats, tools, buttons, references, language, sinks."""
    lines = (EXAMPLES / "bench.toml").read_text(encoding="utf-8").splitlines()
    switched_on = [_REMARK.sub(r"\1", line) for line in lines]
    assert len([1 for before, after in zip(lines, switched_on, strict=True) if before != after]) > 80
    path = tmp_path / "watcher.toml"
    path.write_text("\n".join(switched_on), encoding="utf-8")
    settings = load(path)
    assert {finding.key for finding in settings.report.findings} == {"token"}  # its file is not there
    (bench,) = compile_plan(settings).benches
    assert bench.seats
    assert bench.tools
    assert bench.board
    assert bench.ready


_REMARK = re.compile(r"^# (\[[a-z][\w.-]*\]|[a-z_]+(?:\.[a-z]+)? = .*)$")


def test_the_demonstration_is_wired_as_its_simulators_are() -> None:
    """Two benches: lines, converter inputs, registers."""
    plan, setup = load_setup(EXAMPLES / "demo.toml")
    lines = {d.name: d.options.line for d in setup.devices if hasattr(d.options, "line")}
    assert lines == {
        "strap-1": 22,
        "bond-1": 23,
        "presence-1": 24,
        "strap-2": 25,
        "bond-2": 4,
        "presence-2": 5,
    }
    closed = {d.name: (d.options.closed, d.options.pull) for d in setup.devices if hasattr(d.options, "line")}
    assert closed["presence-1"] == closed["presence-2"] == ("high", "down")
    assert closed["strap-1"] == closed["bond-2"] == ("low", "up")
    inputs = {d.name: d.options.input for d in setup.devices if hasattr(d.options, "input")}
    assert inputs == {"mat-1": 0, "mat-2": 1}
    given = [(a.buzzer, *a.lamp.values(), a.relay) for a in setup.annunciators.values()]
    assert given == [(12, 13, 16, 18, 21), (19, 20, 26, 17, 27)]
    assert plan.profile == "s20.20-2021, j-std-001-climate"
    assert setup.clock_known == "always"
    assert setup.sinks == ()
