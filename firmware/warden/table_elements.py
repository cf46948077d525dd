"""The table of protective elements.  elements.py runs it; the proof, the documents and the reports read it."""

from warden import modes, text

WATCHED = ("string", "box", "module")  # what a row watches: the one string, each box, each module

# The quantities of each, by position; elements.py has the same names as numbers.
QUANTITIES = (
    "ma i2t aux iso pre_ms pre_fast pre_shape not_closed not_open chatter no_estop no_crash no_service no_interlock "
    "plug sum sensor rest_ma dead_ma late memory button off taps",
    "temp ref probe age",
    "raw mv comp hot away open range stuck",
)

# Names for sums of modes.
AWAKE = (
    ("loaded", ("precharge", "drive", "shed")),
    ("powered", ("precharge", "drive", "shed", "charge")),
    ("awake", ("rest", "precharge", "drive", "shed", "charge", "lockout")),
)

# number, stage, watches, quantity, over or under, pickup, dropout, delay, actions, awake in, switch | meaning.
# A pickup, dropout or delay is the name of a setting or a number; `-` is no switch: the row can't be switched off.
ROWS = (
    """
27 derate module comp under v27_pickup_mv v27_dropout_mv v27_derate_ms alarm+derate loaded e27_on | module low, load compensated: ask for less
27 time module comp under v27_pickup_mv v27_dropout_mv v27_delay_ms staged loaded+lockout e27_on | module low, load compensated: stop
27 floor module raw under v27_floor_mv v27_floor_dropout_mv v27_floor_ms staged loaded+lockout e27_on | module under the absolute floor: about to reverse
27 rest module mv under v27_pickup_mv v27_dropout_mv v27_derate_ms alarm+nodrive rest+charge e27_on | module low at rest or on charge: do not drive
59 derate module hot over v59_pickup_mv v59_dropout_mv v59_derate_ms alarm+derate drive+charge e59_on | module high, temperature compensated: ask for less
59 time module hot over v59_pickup_mv v59_dropout_mv v59_delay_ms staged powered+lockout e59_on | module high, temperature compensated: stop
59 high module raw over v59_high_mv v59_high_dropout_mv v59_high_ms staged powered+lockout e59_on | module far too high: stop
""",
    """
60 alarm module away over v60_pickup_mv v60_dropout_mv v60_delay_ms alarm awake e60_on | module away from the string's median
M1 alarm module open over 1 0 m_alarm_ms alarm+derate+nodrive+nocharge awake - | open sense lead
M1 trip module open over 1 0 m_trip_ms staged awake - | open sense lead, not mended
M2 alarm module range over 1 0 m_alarm_ms alarm+derate+nodrive+nocharge awake - | module reading no module can have: lead swapped, open or shorted
M2 trip module range over 1 0 m_trip_ms staged awake - | module reading no module can have, not mended
M3 alarm module stuck over 1 0 m_alarm_ms alarm+derate+nodrive+nocharge awake - | reading frozen while the current moved
M3 trip module stuck over 1 0 m_trip_ms staged awake - | reading frozen, not mended
49 alarm box temp over t49_alarm_dc t49_alarm_dropout_dc t49_delay_ms alarm+derate awake e49_on | box warm
49 trip box temp over t49_trip_dc t49_trip_dropout_dc t49_delay_ms staged awake e49_on | box hot
""",
    """
49C cold box temp under t49_cold_dc t49_cold_dropout_dc t49_delay_ms nocharge rest+charge e49_on | box too cold to charge
M5 alarm box ref over ref_band_permille ref_dropout_permille m_alarm_ms alarm+derate+nodrive+nocharge awake - | a head's reference has drifted
M5 trip box ref over ref_band_permille ref_dropout_permille m_trip_ms staged awake - | a head's reference has drifted, not mended
M6 alarm box age over stale_ms 200 0 alarm+derate+nodrive+nocharge awake - | a box's readings are stale
M6 trip box age over stale_ms 200 m_trip_ms staged awake - | a box's readings are stale, not mended
M8 alarm box probe over 1 0 m_alarm_ms alarm+derate+nocharge awake - | temperature probe open or shorted
M8 trip box probe over 1 0 m_trip_ms staged awake - | temperature probe open or shorted, not mended
76 inst string ma over i76_inst_ma i76_inst_dropout_ma i76_inst_ms open powered+lockout - | current beyond anything the car may draw
76 derate string i2t over 700 350 0 alarm+derate powered e76_time_on | current too high for too long: ask for less
76 time string i2t over 1000 350 0 staged powered+lockout e76_time_on | current too high for too long: stop
""",
    """
27X alarm string aux under aux_alarm_mv aux_alarm_dropout_mv aux_alarm_ms alarm awake e27x_on | aux supply low
27X block string aux under aux_trip_mv aux_trip_dropout_mv aux_trip_ms nodrive+nocharge rest e27x_on | aux supply too low to hold a contactor
27X trip string aux under aux_trip_mv aux_trip_dropout_mv aux_trip_ms staged powered+lockout e27x_on | aux supply about to let contactors go
64 alarm string iso under iso_alarm_ohmv iso_alarm_dropout_ohmv iso_delay_ms alarm awake e64_on | isolation poor
64 block string iso under iso_trip_ohmv iso_trip_dropout_ohmv iso_delay_ms alarm+derate+nodrive+nocharge rest+drive+shed e64_on | isolation lost: finish the trip, start no other
64 charge string iso under iso_trip_ohmv iso_trip_dropout_ohmv iso_delay_ms open charge+lockout e64_on | isolation lost while plugged in
48 slow string pre_ms over pre_slow_ms 0 0 open precharge - | precharge too slow
48 fast string pre_fast over 1 0 0 open precharge - | precharge too fast: no link capacitor, or main welded
48 shape string pre_shape over 1 0 0 open precharge - | precharge curve wrong: link shorted, resistor wrong or open
""",
    """
72 close string not_closed over 1 0 k72_close_ms staged drive+shed - | main contactor did not close, or let go
72 open string not_open over 1 0 k72_open_ms open rest+precharge+charge+lockout - | main contactor did not open: welded
72 chatter string chatter over k72_chatter_n 0 0 staged drive+shed - | main contactor chatters
69 estop string no_estop over 1 0 0 open powered+lockout - | emergency stop pressed
69 crash string no_crash over 1 0 0 open powered+lockout - | crash switch open
69 service string no_service over 1 0 0 open powered+lockout - | service disconnect pulled
69 interlock string no_interlock over 1 0 0 staged powered+lockout - | interlock loop open
69 estop_open string no_estop over 1 0 0 nodrive+nocharge rest - | emergency stop pressed: no start
69 crash_open string no_crash over 1 0 0 nodrive+nocharge rest - | crash switch open: no start
69 service_open string no_service over 1 0 0 nodrive+nocharge rest - | service disconnect out: no start
69 cover_open string no_interlock over 1 0 0 nodrive+nocharge rest - | interlock loop open: no start
69 plug string plug over 1 0 0 staged loaded - | plug present with the drive path closed or closing
M4 alarm string sum over sum_band_mv sum_dropout_mv m_alarm_ms alarm+derate+nodrive+nocharge awake - | modules do not add up to the string tap
M4 trip string sum over sum_band_mv sum_dropout_mv m_trip_ms staged awake - | modules do not add up, not mended
""",
    """
M7 alarm string sensor over 1 0 m_alarm_ms alarm+derate+nodrive+nocharge awake - | current sensor at its end
M7 trip string sensor over 1 0 m_trip_ms staged awake - | current sensor at its end, not mended
M7 offset string rest_ma over current_rest_ma current_rest_dropout_ma m_alarm_ms alarm+nodrive+nocharge rest+lockout - | current shown with every contactor open
M7 dead string dead_ma over 3 0 0 alarm+derate+nodrive+nocharge rest+drive+shed - | string sags but no current is shown
M7 deadtrip string dead_ma over 3 0 m_trip_ms staged drive+shed - | string sags but no current is shown, not mended
M9 alarm string taps over 1 0 m_alarm_ms alarm+derate+nodrive+nocharge awake - | string or link tap open, or the two apart with main closed
M9 trip string taps over 1 0 m_trip_ms staged awake - | string or link tap open or apart, not mended
M10 alarm string late over late_ms 0 0 alarm awake - | scans come late
M10 trip string late over late_trip_ms 0 0 staged powered - | scans come far too late
""",
    """
M11 memory string memory over 1 0 0 open awake+boot - | settings or journal missing or damaged
M12 button string button over 1 0 0 alarm+nodrive+nocharge awake - | start or reset held too long: stuck
74 off string off over 1 0 0 alarm awake - | an element is switched off in the settings
""",
)


def row(line):
    """A line of ROWS as a tuple, in the columns' order and with the meaning last.

    Words become their numbers, except that pickup, dropout and delay stay names of settings where they are names.
    """
    c, about = text.cells(line)
    watches = WATCHED.index(c[2])
    awake = 0
    for word in c[9].split("+"):
        for mode in dict(AWAKE).get(word, (word,)):
            awake |= 1 << modes.MODES.index(mode)
    action = 0
    for word in c[8].split("+"):
        action |= 1 << modes.ACTION_NAMES.index(word)
    numbers = [int(v) if v.isdigit() else v for v in c[5:8]]
    quantity = QUANTITIES[watches].split().index(c[3])
    sign = {"over": 1, "under": -1}[c[4]]
    switch = c[10].strip("-")
    return c[0], c[1], watches, quantity, sign, numbers[0], numbers[1], numbers[2], action, awake, switch, about


def table():
    """Every row, as `row` gives it."""
    return tuple([row(line) for line in text.lines(ROWS)])
