"""What the configuration says of alarms becomes what the core offers: delays, dangers, seats, buttons, references."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietbench.daemon.core.engine import Core
from quietbench.daemon.core.plan import Limit, Plan, Posture, Priority, Requirement, Seat, Tool
from quietbench.daemon.core.records import BenchState
from quietbench.daemon.settings.check import check_file
from quietbench.daemon.settings.findings import Severity
from quietbench.daemon.settings.profiles import check_profile
from quietbench.daemon.sinks.options import MqttOptions

from .mistakes import GOOD, STATION
from .test_compile import S, channel, compiled
from .test_profiles import OWN, own

HOUR = 3600 * S
FOOTWEAR = "station/footwear"


def station(tmp_path: Path, *edits: tuple[str, str]) -> Plan:
    """Compile the station with some edits."""
    return compiled(tmp_path, edited(*edits))[0]


def edited(*edits: tuple[str, str]) -> str:
    """Return the station's file with some edits."""
    text = STATION
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def limit(plan: Plan, name: str) -> Limit:
    """Return a limit by the id of its alarm."""
    place, _, word = name.partition(":")
    return next(limit for limit in channel(plan, place).limits if limit.name == word)


# -- limits and faults --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("alarm", "again_s"),
    [
        ("station/right:closed", 300),
        ("station/visitor:upper", 300),
        ("station/visitor:shock", 300),
        ("station/mat:change", 300),
        ("station/offset:touch", 120),
        ("station/left:closed", 90),
        ("station/visitor:upper_warning", 0),
        ("station/offset:drift", 0),
    ],
)
def test_an_acknowledged_alarm_of_a_path_or_of_danger_sounds_again(
    tmp_path: Path, alarm: str, again_s: int
) -> None:
    """After 300 s and 120 s (own choice) unless the file says otherwise; a warning never."""
    assert limit(station(tmp_path), alarm).resound_ns == again_s * S


def test_a_fault_sounds_again_where_it_watches_a_path(tmp_path: Path) -> None:
    """After 300 s (own choice) unless the channel says otherwise."""
    plan = station(tmp_path)
    again = {c.name.partition("/")[2]: c.fault_resound_ns for c in plan.channels}
    assert (again["left"], again["right"], again["mat"], again["board"]) == (60 * S, 300 * S, 300 * S, 0)


def test_a_path_alarm_may_be_held_back_for_half_a_second_and_no_more(tmp_path: Path) -> None:
    """The very bound is allowed."""
    plan = station(tmp_path, ("on_delay_s = 0.2", "on_delay_s = 0.5"))
    assert limit(plan, "station/left:closed").on_delay_ns == S // 2
    file = tmp_path / "late.toml"
    file.write_text(edited(("on_delay_s = 0.2", "on_delay_s = 0.501")), encoding="utf-8")
    assert [finding.key for finding in check_file(file).errors] == ["on_delay_s"]


def test_more_than_25_volt_between_earths_is_a_danger_to_people(tmp_path: Path) -> None:
    """The built-in rule (own choice, half of the usual 50 V touch limit); it stays until somebody resets it."""
    plan = station(tmp_path, ('limits.touch = { bound = 12, source = "rule 3" }\n', ""))
    touch = limit(plan, "station/offset:touch")
    assert (touch.requirement, touch.bound, touch.priority) == (Requirement.AT_MOST, 25.0, Priority.HIGH)
    assert (touch.danger, touch.latching, touch.protects) == (True, True, False)
    assert touch.source.trust == "own choice"


def test_a_site_may_lower_the_touch_limit(tmp_path: Path) -> None:
    """With its own source; it stays a danger."""
    touch = limit(station(tmp_path), "station/offset:touch")
    assert (touch.bound, touch.danger, touch.source.document) == (12.0, True, "rule 3")


def test_an_outlet_wired_wrong_is_a_danger_to_people(tmp_path: Path) -> None:
    """Line and earth may be swapped; a site that knows better says so with its source."""
    assert limit(station(tmp_path), "station/outlet:line_earth_swap").danger
    told = 'source = "outlet"\nlimits.line_earth_swap = { danger = false, source = "rule 6" }'
    assert not limit(station(tmp_path, ('source = "outlet"', told)), "station/outlet:line_earth_swap").danger


def test_an_own_danger_is_of_high_priority_unless_told(tmp_path: Path) -> None:
    """And sounds again like any danger."""
    plan = station(tmp_path, ('latching = true, priority = "low"', "danger = true"))
    drift = limit(plan, "station/offset:drift")
    assert (drift.priority, drift.danger, drift.resound_ns) == (Priority.HIGH, True, 120 * S)


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("protects = true", "protects = true\non_delay_s = 0.6", "on_delay_s"),
        ("protects = true", "protects = true\ndanger = true", "danger"),
        ('quantity = "supply_voltage"', 'quantity = "earth_offset"\ndanger = true', "priority"),
    ],
)
def test_an_own_profile_is_held_to_the_same_rules(tmp_path: Path, old: str, new: str, key: str) -> None:
    """Delays of paths, and what may be a danger."""
    _, report = check_profile(str(own(tmp_path, OWN.replace(old, new, 1))))
    assert [finding.key for finding in report.findings] == [key]


# -- benches ------------------------------------------------------------------------------------------------


def test_seats_and_tools_have_full_names(tmp_path: Path) -> None:
    """Ends, presence, posture, footwear and its time."""
    (bench,) = station(tmp_path).benches
    left, visitor, right = bench.seats
    assert left == Seat("station/left", "station/skin_left", ("station/there-left",))
    assert (visitor.visitor, visitor.presence) == (True, ("station/there-visitor",))
    assert (right.posture, right.footwear) == (Posture.STANDING, FOOTWEAR)
    assert right.footwear_valid_ns == 8 * HOUR
    assert bench.tools == (Tool("station/iron", "station/tip", "station/iron"),)


def test_buttons_board_and_times_stand_in_the_plan(tmp_path: Path) -> None:
    """One word or a list of them; seconds and hours become ns."""
    (bench,) = station(tmp_path).benches
    assert bench.board == ("station/board",)
    assert (bench.silence, bench.ready, bench.live) == (
        ("station/silence",),
        ("station/ready",),
        ("station/live",),
    )
    assert (bench.silence_ns, bench.ready_every_ns, bench.strap_off_above_v) == (90 * S, 10 * HOUR, 60)


def test_a_bench_that_says_nothing_asks_for_nothing(tmp_path: Path) -> None:
    """No check before work, no live work, no seats of its own; silence lasts two minutes."""
    (bench,) = compiled(tmp_path)[0].benches
    assert (bench.seats, bench.tools, bench.board, bench.silence) == ((), (), (), ())
    assert (bench.ready_every_ns, bench.strap_off_above_v, bench.silence_ns) == (0, None, 120 * S)


def test_straps_are_gated_where_a_bagged_board_is_known_without_presence(tmp_path: Path) -> None:
    """Taking the strap off after bagging the board is no alarm."""
    text = GOOD.replace('quantity = "presence"', 'quantity = "board_out"').replace(
        'required = ["skin", "mat"]', 'required = ["skin", "mat"]\nboard = "presence"'
    )
    plan, _ = compiled(tmp_path, text)
    assert channel(plan, "bench-1/strap").gated


def test_a_footwear_test_of_today_stands_in_for_the_strap(tmp_path: Path) -> None:
    """Entered by hand, on a channel that no device reads and that never falls silent."""
    plan = station(tmp_path)
    test = limit(plan, f"{FOOTWEAR}:upper")
    assert (test.entered, test.bound, test.source.document) == (True, 1e9, "ANSI/ESD S20.20")
    core = Core(plan, 0)
    seat = core.benches["station"].seats[2]
    assert seat.needs_strap
    body = {"do": "enter", "channel": FOOTWEAR, "value": 5e8, "person": "p1", "role": "", "why": ""}
    core.command(body, 1)
    assert not seat.needs_strap
    core.command({**body, "value": 1e9}, 2)
    assert seat.needs_strap
    assert not any(due.subject == FOOTWEAR for due in core.due(365 * 24 * HOUR))


def test_no_device_is_asked_for_what_is_entered_by_hand(tmp_path: Path) -> None:
    """Every point of the setup belongs to a channel with a source."""
    plan, setup = compiled(tmp_path, STATION)
    read = {plan.channels[index].name for device in setup.devices for index in device.points.values()}
    assert FOOTWEAR not in read
    assert len(read) == len(setup.devices)


def test_a_bench_of_seats_is_held_when_all_its_ways_are_good(tmp_path: Path) -> None:
    """Two people there, the board out, the iron hot, nobody on the visitor's seat."""
    plan = station(tmp_path)
    core = Core(plan, 0)
    core.start(0, {}, {})
    raw = {"mat": 2816.0, "tip": 50.0, "visitor": 4095.0, "there-visitor": 0.0, "offset": 0.0}
    for at_ns in (S, 2 * S):
        for index, known in enumerate(plan.channels):
            place, _, word = known.name.partition("/")
            if place == "station" and word != "footwear":
                core.feed(index, at_ns, raw.get(word, 1.0))
    assert core.verdict("station").state is BenchState.HELD
    core.feed([c.name for c in plan.channels].index("station/left"), 3 * S, 0.0)
    assert core.verdict("station").state is BenchState.OPEN


# -- what the watcher is told -------------------------------------------------------------------------------


def test_reference_resistors_say_what_their_channel_must_show(tmp_path: Path) -> None:
    """1 and 10 Mohm are read; 1 Gohm is beyond the change limit of the mat. A tolerance is a half-width."""
    _, setup = compiled(tmp_path, STATION)
    references = setup.references["station"]
    assert [(r.line, r.channel, r.ohm, r.over_limit) for r in references] == [
        (19, "station/mat", 1e6, False),
        (20, "station/mat", 1e7, False),
        (21, "station/mat", 1e9, True),
    ]
    assert references[1].u_ohm == pytest.approx(1e7 * 0.05 / 3**0.5)
    assert compiled(tmp_path)[1].references == {}


def test_language_and_quiet_hours_reach_the_watcher(tmp_path: Path) -> None:
    """Minutes after midnight; English and no such hours unless told."""
    _, setup = compiled(tmp_path, STATION)
    assert (setup.language, setup.quiet_hours) == ("de", (20 * 60, 6 * 60))
    _, plain = compiled(tmp_path)
    assert (plain.language, plain.quiet_hours) == ("en", None)


def test_a_bench_may_name_who_answers_for_it(tmp_path: Path) -> None:
    """Beside the site's own person; nobody is made up."""
    _, setup = compiled(tmp_path, STATION)
    assert setup.responsible == {"station": "second technician", "hall": "facilities"}
    _, site = compiled(tmp_path, edited(('responsible = "second technician"\n', "")))
    assert site.responsible["station"] == "lead technician"
    assert compiled(tmp_path)[1].responsible == {}


def test_no_command_is_taken_over_mqtt_unless_its_client_is_named(tmp_path: Path) -> None:
    """Empty by default."""
    options = compiled(tmp_path, STATION)[1].sinks[0].options
    assert isinstance(options, MqttOptions)
    assert options.commands == ("shift-desk",)
    plain = compiled(tmp_path)[1].sinks[0].options
    assert isinstance(plain, MqttOptions)
    assert plain.commands == ()


# -- warnings -----------------------------------------------------------------------------------------------

WARNED = [
    ("strap_off_above_v = 60", "strap_off_above_v = 400", "strap_off_above_v", "TR20.20"),
    ('silence_button = "silence"\n', "", "silence", "nothing uses this channel"),
    ('board = ["board"]\n', "", "board", "nothing uses this channel"),
    (
        'left = { end = "skin_left", presence = "there-left" }',
        'left = { end = "skin_left" }',
        "left",
        "anybody",
    ),
    ('required = ["mat", "tip"]\n', 'required = ["mat", "tip", "skin_left"]\n', "", ""),
    (
        'required = ["mat", "tip"]\n',
        'required = ["mat", "tip", "spare"]\n',
        "seats",
        "no seat has the end spare",
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "key", "word"), WARNED, ids=[new.strip() or old for old, new, *_ in WARNED]
)
def test_what_a_bench_may_not_mean_is_a_warning(
    tmp_path: Path, old: str, new: str, key: str, word: str
) -> None:
    """The file is used all the same; "" where there is nothing to warn of."""
    spare = ('skin_left = "cord_left"', 'skin_left = "cord_left"\nspare = "common_point"')
    measured = (
        'measures = ["cord_left", "skin_left"]',
        'measures = ["cord_left", "skin_left", "spare"]',
    )
    edits = [(old, new), spare, measured] if "spare" in new else [(old, new)]
    file = tmp_path / "watcher.toml"
    file.write_text(edited(*edits), encoding="utf-8")
    report = check_file(file)
    assert report.ok, report.text()
    assert [(f.key, f.severity) for f in report.findings] == ([(key, Severity.WARNING)] if key else [])
    assert word in report.text()
