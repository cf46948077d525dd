"""The words for single bits: what elements ask for, what the transition table reads, what leaves the board."""

from warden import text

# Bit by bit from the lowest: name | meaning.
WORDS = {
    "ACTIONS": """
alarm | tell the driver
derate | ask for less power
nodrive | do not start driving
nocharge | do not charge
staged | trip: bring the current down, then open
open | trip: open at once
""",
    "BITS": """
key | key on
start | start position, held; a new press since this mode began
unplug | plug loop closed: nothing plugged in
interlock | covers and connectors closed
estop | emergency stop not pressed
crash | crash switch closed
service | service disconnect fitted
mainaux | main contactor's auxiliary contact closed
reset | reset pressed, held
pedal | pedal released
strap | bench strap fitted: power outputs held off at the pins
held | unplugged for unplug_hold_ms without a break
go | no element forbids driving
fill | no element forbids charging
trip | a staged trip has operated
trip_now | an opening trip has operated
latched | a trip is latched
cleared | every trip's cause has been gone for clear_ms
low_current | the current is known and below break_ma
precharged | the link is within the band and the curve was right
link_dead | the link is below link_dead_mv
dwelt | in this mode for min_dwell_ms
waited | in this mode for shed_ms
tested | self-test passed
may_close | the closing limit of main and charger has room
asked | a reset with the right code came by wire
alarmed | an alarm or a trip is up
derated | an element asks for less power
""",
    "OUTPUTS": """
main | main contactor
precharge | precharge contactor
charger | charger contactor
enable | motor controller enable
fan | box ventilation
lamp | yellow lamp: abnormal
triplamp | red lamp: tripped
buzzer | sounder
iso_pos | isolation test resistor, pack + to chassis
iso_neg | isolation test resistor, pack - to chassis
""",
}


def table(name):
    """((name, bit, meaning), ...) of "ACTIONS", "BITS" or "OUTPUTS"; KeyError for another."""
    rows = [text.cells(line) for line in text.lines((WORDS[name],))]
    return tuple([(rows[n][0][0], 1 << n, rows[n][1]) for n in range(len(rows))])
