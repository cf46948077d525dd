"""Modes, transitions, outputs: three tables, and the few lines that walk them."""

from warden.modes import (
    ALARMED,
    ASKED,
    BOOT,
    BUZZER,
    CHARGE,
    CHARGER,
    CLEARED,
    CRASH,
    DERATED,
    DRIVE,
    DWELT,
    ENABLE,
    ESTOP,
    FAN,
    FILL,
    GO,
    HELD,
    INTERLOCK,
    KEY,
    LAMP,
    LATCHED,
    LINK_DEAD,
    LOCKOUT,
    LOW_CURRENT,
    MAIN,
    MAINAUX,
    MAY_CLOSE,
    PEDAL,
    PRE,
    PRECHARGE,
    PRECHARGED,
    RESET,
    REST,
    SERVICE,
    SHED,
    START,
    TESTED,
    TRIP,
    TRIP_NOW,
    TRIPLAMP,
    UNPLUG,
    WAITED,
)  # fmt: skip

ANY = -1  # every mode
LOOPS = INTERLOCK | ESTOP | CRASH | SERVICE
DRIVE_LOOPS = LOOPS | UNPLUG | HELD

# from, bits that must be set, bits that must be clear, to, why.  The first row that fits is taken.
TRANSITIONS = (
    (BOOT, TRIP_NOW, 0, LOCKOUT, "trip"),
    (BOOT, TESTED | LATCHED, 0, LOCKOUT, "latched"),
    (BOOT, TESTED, 0, REST, "tested"),
    (REST, TRIP_NOW, 0, LOCKOUT, "trip"),
    (REST, TRIP, 0, LOCKOUT, "trip"),
    (REST, KEY | START | PEDAL | GO | MAY_CLOSE | DWELT | DRIVE_LOOPS, MAINAUX, PRECHARGE, "start"),
    (REST, LINK_DEAD | FILL | MAY_CLOSE | DWELT | LOOPS, UNPLUG | MAINAUX | KEY, CHARGE, "plug"),
    (PRECHARGE, TRIP_NOW, 0, LOCKOUT, "trip"),
    (PRECHARGE, TRIP, 0, LOCKOUT, "trip"),
    (PRECHARGE, 0, KEY, REST, "key"),
    (PRECHARGE, 0, GO, REST, "forbidden"),
    (PRECHARGE, 0, HELD, REST, "plug"),
    (PRECHARGE, KEY | GO | PRECHARGED | DRIVE_LOOPS, MAINAUX, DRIVE, "precharged"),
    (DRIVE, TRIP_NOW, 0, LOCKOUT, "trip"),
    (DRIVE, TRIP, 0, SHED, "trip"),
    (DRIVE, 0, KEY, SHED, "key"),
    (SHED, TRIP_NOW, 0, LOCKOUT, "trip"),
    (SHED, LOW_CURRENT | LATCHED, 0, LOCKOUT, "shed"),
    (SHED, WAITED | LATCHED, 0, LOCKOUT, "waited"),
    (SHED, LOW_CURRENT, 0, REST, "shed"),
    (SHED, WAITED, 0, REST, "waited"),
    (CHARGE, TRIP_NOW, 0, LOCKOUT, "trip"),
    (CHARGE, TRIP, 0, LOCKOUT, "trip"),
    (CHARGE, UNPLUG, 0, REST, "unplugged"),
    (CHARGE, KEY, 0, REST, "key"),
    (CHARGE, 0, FILL, REST, "forbidden"),
    (CHARGE, MAINAUX, 0, REST, "mainaux"),
    (LOCKOUT, RESET | CLEARED | DWELT, KEY | TRIP | TRIP_NOW, REST, "reset"),
    (LOCKOUT, ASKED | CLEARED | DWELT, KEY | TRIP | TRIP_NOW, REST, "asked"),
)

# mode, bits that must be set, bits that must be clear, outputs that are then on.  All others are off.
OUTPUTS = (
    (PRECHARGE, 0, 0, PRE),
    (DRIVE, 0, 0, MAIN),
    (DRIVE, MAINAUX, TRIP | TRIP_NOW, ENABLE),
    (SHED, 0, 0, MAIN),
    (CHARGE, 0, UNPLUG | MAINAUX, CHARGER | FAN),
    (LOCKOUT, 0, 0, TRIPLAMP),
    (ANY, ALARMED, 0, LAMP),
    (DRIVE, DERATED, 0, BUZZER),
    (SHED, LATCHED, 0, BUZZER),
    (LOCKOUT, 0, DWELT, BUZZER),
)

# Modes in which a power limit above nothing is asked for: the driver's power, or the charger's.
LIMITED = (DRIVE, CHARGE)


class Sequence:
    """`mode` and `outputs`, walked once a scan."""

    def __init__(self):
        self.mode = BOOT
        self.outputs = 0
        self.why = ""

    def step(self, word):
        """Take the first transition that fits `word`; True when the mode changed."""
        mode = self.mode
        for start, must, mustnt, end, why in TRANSITIONS:
            if start == mode and word & must == must and not word & mustnt:
                self.mode = end
                self.why = why
                return True
        return False

    def drive_outputs(self, word):
        """Set `outputs` for the present mode and word."""
        out = 0
        mode = self.mode
        for at, must, mustnt, on in OUTPUTS:
            if (at == mode or at == ANY) and word & must == must and not word & mustnt:
                out |= on
        self.outputs = out
