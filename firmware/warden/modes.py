"""The modes, the bits that decide between them, and the bits that leave the board: words only, no behaviour."""

MODES = ("boot", "rest", "precharge", "drive", "shed", "charge", "lockout")
BOOT, REST, PRECHARGE, DRIVE, SHED, CHARGE, LOCKOUT = range(7)

# Actions an element may ask for; a row's action is a sum of these.
ALARM, DERATE, NODRIVE, NOCHARGE, STAGED, OPEN = 1, 2, 4, 8, 16, 32
ACTIONS = (
    ("alarm", ALARM, "tell the driver"),
    ("derate", DERATE, "ask for less power"),
    ("nodrive", NODRIVE, "do not start driving"),
    ("nocharge", NOCHARGE, "do not charge"),
    ("staged", STAGED, "trip: bring the current down, then open"),
    ("open", OPEN, "trip: open at once"),
)
TRIPS = STAGED | OPEN

# Discrete inputs as the board reads them.  1 is always the state a cut wire can not give.
KEY, START, UNPLUG, INTERLOCK, ESTOP, CRASH, SERVICE, MAINAUX, RESET, PEDAL, STRAP = [1 << n for n in range(11)]

# Facts that the relay adds to the debounced inputs; together they are the word that the tables read.
HELD = 1 << 11  # unplugged for unplug_hold_ms without a break
GO = 1 << 12  # no element forbids driving
FILL = 1 << 13  # no element forbids charging
TRIP = 1 << 14  # a staged trip has operated
TRIP_NOW = 1 << 15  # an opening trip has operated
LATCHED = 1 << 16  # a trip is latched, here or in the journal
CLEARED = 1 << 17  # every trip's cause has been gone for clear_ms
LOW_CURRENT = 1 << 18  # the current is known and below break_ma
PRECHARGED = 1 << 19  # the link is within the band and the curve was right
LINK_DEAD = 1 << 20  # the link is below link_dead_mv
DWELT = 1 << 21  # in this mode for min_dwell_ms
WAITED = 1 << 22  # in this mode for shed_ms
TESTED = 1 << 23  # self-test passed
MAY_CLOSE = 1 << 24  # the closing limit has room
ASKED = 1 << 25  # a reset with the right code came by wire
ALARMED = 1 << 26  # an alarm or a trip is up
DERATED = 1 << 27  # an element asks for less power

BITS = (
    ("key", KEY), ("start", START), ("unplug", UNPLUG), ("interlock", INTERLOCK), ("estop", ESTOP),
    ("crash", CRASH), ("service", SERVICE), ("mainaux", MAINAUX), ("reset", RESET), ("pedal", PEDAL),
    ("strap", STRAP), ("held", HELD), ("go", GO), ("fill", FILL), ("trip", TRIP), ("trip_now", TRIP_NOW),
    ("latched", LATCHED), ("cleared", CLEARED), ("low_current", LOW_CURRENT), ("precharged", PRECHARGED),
    ("link_dead", LINK_DEAD), ("dwelt", DWELT), ("waited", WAITED), ("tested", TESTED),
    ("may_close", MAY_CLOSE), ("asked", ASKED), ("alarmed", ALARMED), ("derated", DERATED),
)  # fmt: skip

# Outputs.
MAIN, PRE, CHARGER, ENABLE, FAN, LAMP, TRIPLAMP, BUZZER, ISO_POS, ISO_NEG = [1 << n for n in range(10)]
POWER = MAIN | PRE | CHARGER | ENABLE
OUTPUTS = (
    ("main", MAIN, "main contactor"),
    ("precharge", PRE, "precharge contactor"),
    ("charger", CHARGER, "charger contactor"),
    ("enable", ENABLE, "motor controller enable"),
    ("fan", FAN, "box ventilation"),
    ("lamp", LAMP, "yellow lamp: abnormal"),
    ("triplamp", TRIPLAMP, "red lamp: tripped"),
    ("buzzer", BUZZER, "sounder"),
    ("iso_pos", ISO_POS, "isolation test resistor, pack + to chassis"),
    ("iso_neg", ISO_NEG, "isolation test resistor, pack - to chassis"),
)
