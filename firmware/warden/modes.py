"""The modes, the bits that decide between them, and the bits that leave the board: words only, no behaviour."""

MODES = ("boot", "rest", "precharge", "drive", "shed", "charge", "lockout")
BOOT, REST, PRECHARGE, DRIVE, SHED, CHARGE, LOCKOUT = range(7)

# Actions an element may ask for; a row's action is a sum of these.
ALARM, DERATE, NODRIVE, NOCHARGE, STAGED, OPEN = 1, 2, 4, 8, 16, 32
ACTION_NAMES = ("alarm", "derate", "nodrive", "nocharge", "staged", "open")
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

# Outputs.
MAIN, PRE, CHARGER, ENABLE, FAN, LAMP, TRIPLAMP, BUZZER, ISO_POS, ISO_NEG = [1 << n for n in range(10)]
POWER = MAIN | PRE | CHARGER | ENABLE


def __getattr__(name):
    """ACTIONS, BITS and OUTPUTS as ((name, bit, meaning), ...), made when asked for."""
    if name not in ("ACTIONS", "BITS", "OUTPUTS"):
        raise AttributeError(name)
    from warden import table_words

    return table_words.table(name)
