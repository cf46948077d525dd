"""The catalogue of the line protocol: every field of every kind of line, in the order in which it is sent."""

from warden import text

# kind, field, type, unit | meaning.  Times `t` are the relay's own millisecond ticks, which wrap at 2**30.
ROWS = (
    """
ident t int ms | relay ticks
ident fw word - | firmware version
ident proto int - | protocol version
ident n int count | modules
ident boxes list count | modules in each box
ident scan int ms | nominal scan interval
ident strap int flag | bench strap fitted: power outputs held off
ident cfg hex - | digest of the settings
ident boots int count | power-ups so far
""",
    """
meas t int ms | relay ticks
meas i int mA | string current, discharge positive
meas u int mV | string voltage at the string tap
meas link int mV | link voltage
meas aux int mV | aux supply voltage
meas lo int module | module with the lowest voltage, from 1
meas lomv int mV | its voltage
meas hi int module | module with the highest voltage, from 1
""",
    """
meas himv int mV | its voltage
meas lim int permille | power limit asked for
meas iso int ohm/V | isolation, ohms for each volt of string; 0 before the first measurement
mods t int ms | relay ticks
mods med int mV | median of the believed modules
mods bad hex - | bit k set: module k+1 is not believed
mods mv list mV | each module's voltage in string order
""",
    """
state t int ms | relay ticks
state mode word - | mode
state out hex - | outputs that are on
state in hex - | inputs and facts the transition table reads
state up list count | operated rows by action: alarm, derate, nodrive, nocharge, staged, open
state dc list 0.1degC | each box's temperature
change t int ms | relay ticks
change from word - | mode left
""",
    """
change to word - | mode entered
change why word - | row of the transition table
event t int ms | relay ticks
event el word - | element: device number
event stage word - | stage of the element
event ix int - | module or box, from 1; 0 for the string
event on int flag | 1 operated, 0 released
event act hex - | what the stage asks for
event x int - | quantity at that moment, in the element's unit
""",
    """
count t int ms | relay ticks
count mahout int mAh | charge taken from the string
count mahin int mAh | charge put into the string
count whout int Wh | energy taken from the string
count whin int Wh | energy put into the string
count late int count | late scans
count worst int ms | longest time between scans since the last count
count lost int count | lines dropped because the port was not read
""",
    """
count bad int count | received lines refused
count ops int count | main closings
count trips int count | trips journalled
field kind word - | kind of line
field name word - | field
field type word - | int, word, hex, list or text
field unit text - | unit
field about text - | meaning
setting name word - | setting
setting value int - | value in use
""",
    """
setting low int - | lowest allowed
setting high int - | highest allowed
reply req int - | number of the request answered
reply status word - | ok or error
reply why word - | reason, or what was done
reply value int - | value asked for, or 0
reply digest hex - | digest of the settings, as they are or as they would be
trip n int count | number of the trip, oldest kept first
""",
    """
trip el word - | element: device number
trip stage word - | stage of the element
trip ix int - | module or box, from 1; 0 for the string
trip x int - | quantity at that moment, in the element's unit
trip mode word - | mode at that moment
trip latched int flag | 1 while this trip holds the lockout
prior at int ms | time from the last trip, before is negative
""",
    """
prior i int mA | string current
prior u int mV | string voltage
prior link int mV | link voltage
prior lo int module | module with the lowest voltage, from 1
prior lomv int mV | its voltage
""",
)


def field(line):
    """(kind, name, type, unit, meaning) of a line of ROWS."""
    c, about = text.cells(line)
    return c[0], c[1], c[2], "" if c[3] == "-" else c[3], about


def catalogue():
    """((kind, ((name, type, unit, meaning), ...)), ...)."""
    kinds = []  # type: list
    for line in text.lines(ROWS):
        row = field(line)
        if not kinds or kinds[-1][0] != row[0]:
            kinds.append((row[0], []))
        kinds[-1][1].append(row[1:])
    return tuple([(kind, tuple(fields)) for kind, fields in kinds])
