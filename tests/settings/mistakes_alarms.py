"""Mistakes in what alarms ask for: seats, tools, buttons, reference resistors, dangers, delays, commands."""

from __future__ import annotations

from functools import partial

from .mistakes import STATION, Mistake

Slip = partial(Mistake, base=STATION)
LEFT = 'left = { end = "skin_left"'
VISITOR = 'presence = "there-visitor", visitor = true'
TOUCH = 'limits.touch = { bound = 12, source = "rule 3" }'
DRIFT = "latching = true"
FOOTWEAR = 'quantity = "footwear_resistance"'
STRAP_SOURCE = 'source = "strap-left"'

MISTAKES = (
    # -- site
    Slip("language of nobody", 'language = "de"', 'language = "fr"', "language", '"en" or "de"'),
    Slip("language misspelt", "language", "langauge", "langauge", '"language"'),
    Slip("quiet hours of no clock", '"20:00"', '"8 pm"', "from", '"00:00" to "23:59"'),
    Slip("quiet hours past midnight", '"06:00"', '"24:00"', "to", '"23:59"'),
    Slip("quiet hours as a time of TOML", '"20:00"', "20:00:00", "from", "in quotes"),
    Slip("quiet hours without end", ', to = "06:00"', "", "to", "missing", at="quiet_hours"),
    Slip("quiet hours misspelt inside", "from =", "form =", "form", '"from"'),
    Slip("quiet hours of no length", '"06:00"', '"20:00"', "quiet_hours", "two times that differ"),
    # -- seats
    Slip("seat without an end", LEFT + ", ", "left = { ", "end", "missing", at="left = {"),
    Slip("end misspelt", LEFT, 'left = { end = "skin_lefd"', "end", '"skin_left"'),
    Slip("end that is none", LEFT, 'left = { end = "cord_left"', "end", "something hangs on"),
    Slip(
        "end of another seat",
        LEFT,
        'left = { end = "skin_right"',
        "end",
        "seat left has",
        at='end = "skin_right" # own',
        base=STATION.replace('end = "skin_right"', 'end = "skin_right" # own'),
    ),
    Slip(
        "end of a seat for a tool", 'end = "tip"', 'end = "skin_left"', "end", "seat left has", at="iron = {"
    ),
    Slip("end that no strap measures", LEFT, 'left = { end = "mat"', "end", "no strap channel measures"),
    Slip("seat of a capital name", "\nleft = {", "\nLeft = {", "Left", '"left"'),
    Slip("seat key misspelt", "posture =", "postur =", "postur", '"posture"'),
    Slip("posture unknown", '"standing"', '"standin"', "posture", '"standing"'),
    Slip("presence of nobody", '"there-left" }', '"there-lft" }', "presence", '"there-left"'),
    Slip("presence of a button", '"there-left" }', '"silence" }', "presence", "this channel is button"),
    Slip(
        "presence by its device's point", '["there-right"]', '["there-right.value"]', "presence[0]", "no such"
    ),
    Slip("footwear misspelt", 'footwear = "footwear"', 'footwear = "footware"', "footwear", '"footwear"'),
    Slip("footwear of a mat", 'footwear = "footwear"', 'footwear = "mat"', "footwear", "is mat_resistance"),
    Slip(
        "footwear of a seated person",
        'posture = "standing"\n',
        "",
        "footwear",
        "seated",
        at='footwear = "footwear"',
    ),
    Slip(
        "time for no test",
        'presence = "there-left" }',
        'presence = "there-left", footwear_valid_h = 8 }',
        "footwear_valid_h",
        "no test",
        at="left = {",
    ),
    Slip(
        "test of last week", "footwear_valid_h = 8", "footwear_valid_h = 168", "footwear_valid_h", "up to 24"
    ),
    Slip(
        "visitor as text",
        "visitor = true",
        'visitor = "yes"',
        "visitor",
        "true or false",
        at='visitor = "yes"',
    ),
    Slip(
        "visitor without presence",
        VISITOR,
        "visitor = true",
        "visitor",
        "asked for whenever",
        at="visitor = {",
    ),
    Slip(
        "visitors alone before work",
        'visitor = true }\n\n[benches.station.seats.right]\nend = "skin_right"',
        'visitor = true }\n\n[benches.station.seats.right]\nvisitor = true\nend = "skin_right"',
        "ready_every_h",
        "every seat is a visitor's",
        at="ready_every_h",
        base=STATION.replace('presence = "there-left" }', 'presence = "there-left", visitor = true }'),
    ),
    # -- footwear, by hand
    Slip(
        "source forgotten", STRAP_SOURCE + "\n", "", "source", "missing", at="[benches.station.channels.left]"
    ),
    Slip("source misspelt in its key", STRAP_SOURCE, 'sourse = "strap-left"', "sourse", '"source"'),
    Slip(
        "footwear with stretches",
        FOOTWEAR,
        FOOTWEAR + '\nmeasures = ["mat"]',
        "measures",
        "measures no stretch",
        at='measures = ["mat"]',
    ),
    Slip(
        "conversion of what is not read",
        FOOTWEAR,
        FOOTWEAR + '\nconversion = { kind = "linear", scale = 1, unit = "ohm", u = 1 } # here',
        "conversion",
        "entered by hand",
        at="# here",
    ),
    Slip(
        "footwear judged by no one",
        FOOTWEAR,
        FOOTWEAR + "\nlimits.upper = { entered = false }",
        "entered",
        "nothing is read",
        at="entered = false",
    ),
    Slip(
        "footwear that is read and not entered",
        FOOTWEAR,
        FOOTWEAR + '\nsource = "tip2"\nconversion = { kind = "linear", scale = 1.0, unit = "ohm", u = 1.0 }\n'
        "limits.upper = { entered = false }",
        "footwear",
        "no limit of this channel judges what is entered",
        at='footwear = "footwear"',
        base=STATION.replace(
            "[benches.station]\n",
            '[devices.tip2]\ndriver = "adc"\nbus = "converter"\nchip = "MCP3208"\ninput = 4\n\n[benches.station]\n',
        ),
    ),
    # -- tools and boards
    Slip("tool never hot", ', hot = "iron"', "", "hot", "missing", at="iron = {"),
    Slip("tool hot by a misspelt channel", 'hot = "iron"', 'hot = "irn"', "hot", '"iron"'),
    Slip("tool hot by a board", 'hot = "iron"', 'hot = "board"', "hot", "is board_out"),
    Slip("tool on no end", 'end = "tip"', 'end = "tipp"', "end", '"tip"'),
    Slip("board misspelt", 'board = ["board"]', 'board = ["bord"]', "board[0]", '"board"'),
    Slip("board by a number", 'board = ["board"]', "board = 4", "board", "a list"),
    Slip("board twice", 'board = ["board"]', 'board = ["board", "board"]', "board", "each name once"),
    # -- buttons
    Slip(
        "button misspelt",
        'silence_button = "silence"',
        'silence_button = "silense"',
        "silence_button",
        '"silence"',
    ),
    Slip("button by its line", 'silence_button = "silence"', "silence_button = 6", "silence_button", "text"),
    Slip(
        "button that is none",
        'ready_button = "ready"',
        'ready_button = "board"',
        "ready_button",
        "is board_out",
    ),
    Slip(
        "button of two meanings",
        'ready_button = "ready"',
        'ready_button = "silence"',
        "ready_button",
        "already",
    ),
    Slip("button's key misspelt", "ready_button", "redy_button", "redy_button", '"ready_button"'),
    Slip("silence for a day", "silence_s = 90", "silence_s = 86400", "silence_s", "up to 600"),
    Slip("check every year", "ready_every_h = 10", "ready_every_h = 8760", "ready_every_h", "up to 168"),
    Slip("check in minutes", "ready_every_h", "ready_every_min", "ready_every_min", '"ready_every_h"'),
    Slip(
        "live work without a rule",
        "strap_off_above_v = 60\n",
        "",
        "live_button",
        "strap_off_above_v",
        at="live_button",
    ),
    Slip(
        "rule of live work misspelt",
        "strap_off_above_v",
        "strap_of_above_v",
        "strap_of_above_v",
        '"strap_off',
    ),
    Slip("rule of live work with its unit", "= 60\n", '= "60 V"\n', "strap_off_above_v", "a number"),
    Slip("straps never off", "above_v = 60\n", "above_v = 0\n", "strap_off_above_v", "above 0"),
    # -- reference resistors
    Slip("reference on a line in use", "{ line = 19", "{ line = 22", "line", "by device strap-left"),
    Slip("reference on the relay's line", "line = 19", "line = 26", "line", "by relay of station"),
    Slip(
        "two references on a line",
        'line = 20, channel = "mat", ohm = 1.0e7',
        'line = 19, channel = "mat", ohm = 1.0e7',
        "line",
        "by reference 1 of station",
    ),
    Slip("reference on a line pulled up", "line = 19", "line = 3", "line", "9 to 27"),
    Slip("reference of nothing", ", ohm = 1.0e6", "", "ohm", "missing", at="line = 19"),
    Slip("reference of no resistance", "ohm = 1.0e6", "ohm = 0", "ohm", "above 0"),
    Slip("reference that can't be told", "ohm = 1.0e6", "ohm = 1.0", "ohm", "can't tell this resistor"),
    Slip(
        "reference for no channel",
        'line = 19, channel = "mat"',
        'line = 19, channel = "matt"',
        "channel",
        '"mat"',
    ),
    Slip(
        "reference for a contact",
        'line = 19, channel = "mat"',
        'line = 19, channel = "left"',
        "channel",
        "strap_contact",
    ),
    Slip("reference key misspelt", "tolerance", "tolerence", "tolerence", '"tolerance"'),
    # -- alarms
    Slip(
        "on-delay beyond half a second", "on_delay_s = 0.2", "on_delay_s = 0.6", "on_delay_s", "at most 0.5 s"
    ),
    Slip(
        "danger held back",
        TOUCH,
        'limits.touch = { bound = 12, on_delay_s = 2, source = "rule 3" }',
        "on_delay_s",
        "people are in danger",
    ),
    Slip(
        "shock limit held back",
        "conductors = 2",
        "conductors = 2\nlimits.shock = { on_delay_s = 1 }",
        "on_delay_s",
        "0.5 s",
        at="limits.shock",
    ),
    Slip(
        "touch limit raised",
        TOUCH,
        'limits.touch = { bound = 50, source = "rule 3" }',
        "bound",
        "at most 25 V",
    ),
    Slip("touch limit left out", TOUCH, 'limits.touch = { use = false, source = "r" }', "use", "shock"),
    Slip("touch limit without its source", TOUCH, "limits.touch = { bound = 12 }", "source", "source"),
    Slip(
        "touch limit no danger",
        TOUCH,
        'limits.touch = { danger = false, source = "r" }',
        "danger",
        "taken for less",
    ),
    Slip("danger that may wait", TOUCH, 'limits.touch = { priority = "low" }', "priority", "may wait"),
    Slip("own danger that may wait", DRIFT, "danger = true", "priority", "may wait"),
    Slip(
        "swap of line and earth no danger",
        'source = "outlet"',
        'source = "outlet"\nlimits.line_earth_swap = { danger = false }',
        "danger",
        "source",
        at="limits.line_earth_swap",
    ),
    Slip(
        "danger of a strap",
        "resound_s = 90",
        "resound_s = 90, danger = true",
        "danger",
        "strap_contact tells of no danger",
    ),
    Slip("re-sound as text", "resound_s = 90", 'resound_s = "often"', "resound_s", "a number"),
    Slip("re-sound misspelt", "fault_resound_s", "fault_resond_s", "fault_resond_s", '"fault_resound_s"'),
    Slip(
        "re-sound before the alarm",
        "fault_resound_s = 60",
        "fault_resound_s = -1",
        "fault_resound_s",
        "from 0",
    ),
    Slip("latching as text", DRIFT, 'latching = "yes"', "latching", "true or false", at='latching = "yes"'),
    # -- commands over MQTT, and who answers
    Slip("commands of everybody", '["shift-desk"]', '["*"]', "commands[0]", "the broker knows"),
    Slip("commands switched on", 'commands = ["shift-desk"]', "commands = true", "commands", "a list"),
    Slip(
        "commands given twice", '["shift-desk"]', '["shift-desk", "shift-desk"]', "commands", "each name once"
    ),
    Slip(
        "commands without sign-in",
        'username = "station"\npassword = "env:BROKER_PASSWORD"\n',
        "",
        "commands",
        "username",
        at="commands =",
    ),
    Slip("responsible of two lines", '"facilities"', '"a\\nb"', "responsible", "one line"),
)
