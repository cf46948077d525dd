"""The table of settings, and the pairs that must keep their order.

The table is the documentation: docs/protection.md, the scenario loader, the pack files and the protocol all read it.
A row with a count above 1 is a run of values, `name.0`, `name.1` and so on.  Every bound keeps a value inside a
31-bit small integer.
"""

from warden import text

# name, count, unit, default (one, or one for each), lowest, highest | meaning
ROWS = (
    """
# The pack
n_modules 1 count 12 1 24 | modules in the string
box_modules 6 count 5,7,0,0,0,0 0 24 | modules in each box, in string order
module_nominal_mv 1 mV 12000 1000 16000 | nominal voltage of one module
# Calibration
tap_gain_nv 24 nV/count 2000000 1000 16000000 | gain of a module's upper tap
tap_offset_mv 24 mV 0 -2000 2000 | added to a module's upper tap
string_gain_nv 1 nV/count 6000000 1000 16000000 | gain of the string tap
string_offset_mv 1 mV 0 -5000 5000 | added to the string tap
link_gain_nv 1 nV/count 6000000 1000 16000000 | gain of the link tap
link_offset_mv 1 mV 0 -5000 5000 | added to the link tap
iso_gain_nv 1 nV/count 6000000 1000 16000000 | gain of both isolation taps
aux_gain_nv 1 nV/count 312500 1000 16000000 | gain of the aux tap
current_gain_ua 1 uA/count 16000 -20000 20000 | current per count, discharge positive
current_zero 1 count 32768 20000 45000 | counts at no current
probe_offset_dc 6 0.1degC 0 -200 200 | added to a box's temperature
ref_nominal 1 count 32768 1000 65000 | counts of a head's reference when right
""",
    """
# Sensing
filter_shift 1 2^-n 1 0 4 | module filter: each sample moves the value by 1/2^n
open_counts 1 count 60 1 2000 | a tap at or below this may be an open lead
range_low_mv 1 mV -9000 -30000 0 | a module below this is not believed
range_high_mv 1 mV 18000 2000 40000 | a module above this is not believed
stuck_ma 1 mA 30000 1000 500000 | current swing after which equal counts are stuck
stale_ms 1 ms 500 250 10000 | age at which a box's readings are stale
sum_band_mv 1 mV 4000 200 50000 | modules' sum against the string tap, widest difference
sum_dropout_mv 1 mV 2500 100 49000 | sum difference believed again below this
ref_band_permille 1 permille 15 2 200 | reference drift not believed
ref_dropout_permille 1 permille 8 1 190 | reference believed again below this
current_limit_ma 1 mA 510000 1000 900000 | current sensor's own range
current_rest_ma 1 mA 5000 100 50000 | largest current with every contactor open
current_rest_dropout_ma 1 mA 3000 50 49000 | current at rest believed again below this
m_alarm_ms 1 ms 700 100 10000 | measurement fault: time to alarm
m_trip_ms 1 ms 9500 500 60000 | measurement fault: time to trip
# 27 module undervoltage
e27_on 1 switch 1 0 1 | 27 in use
v27_pickup_mv 1 mV 10500 500 15000 | 27 time stage, on the compensated voltage
v27_dropout_mv 1 mV 11200 500 16000 | 27 time stage releases above this
v27_derate_ms 1 ms 500 100 20000 | 27 time stage: time to derate
v27_delay_ms 1 ms 4500 200 60000 | 27 time stage: time to trip
v27_floor_mv 1 mV 8000 300 14000 | 27 floor stage, on the voltage as it is
v27_floor_dropout_mv 1 mV 9500 400 15000 | 27 floor stage releases above this
v27_floor_ms 1 ms 240 10 2000 | 27 floor stage: time to trip
rcomp_uohm 1 uohm 5000 0 100000 | resistance that 27 compensates for, to start with
rcomp_max_uohm 1 uohm 9000 0 100000 | the most that learning may reach
rcomp_learn 1 switch 1 0 1 | learn each module's resistance from load steps
rcomp_step_ma 1 mA 25000 2000 500000 | smallest load step learnt from
""",
    """
# 59 module overvoltage
e59_on 1 switch 1 0 1 | 59 in use
v59_pickup_mv 1 mV 15000 1000 20000 | 59 time stage at 25 degC
v59_dropout_mv 1 mV 14600 900 20000 | 59 time stage releases below this, at 25 degC
v59_tempco_mv 1 mV/degC -18 -100 0 | 59 moves by this per degree above 25 degC
v59_derate_ms 1 ms 1000 100 60000 | 59 time stage: time to derate
v59_delay_ms 1 ms 10000 200 120000 | 59 time stage: time to trip
v59_high_mv 1 mV 16500 1000 30000 | 59 high stage, whatever the temperature
v59_high_dropout_mv 1 mV 15500 900 29000 | 59 high stage releases below this
v59_high_ms 1 ms 400 10 5000 | 59 high stage: time to trip
# 60 balance
e60_on 1 switch 1 0 1 | 60 in use
v60_pickup_mv 1 mV 600 20 5000 | 60: away from the median by this
v60_dropout_mv 1 mV 400 10 4900 | 60 releases below this
v60_slope_uohm 1 uohm 800 0 20000 | 60 is widened by this times the current
v60_delay_ms 1 ms 4500 200 120000 | 60: time to alarm
""",
    """
# 76 overcurrent
i76_inst_ma 1 mA 450000 1000 900000 | 76 instantaneous stage, either direction
i76_inst_dropout_ma 1 mA 400000 900 890000 | 76 instantaneous stage releases below this
i76_inst_ms 1 ms 10 0 200 | 76 instantaneous stage: time to trip
e76_time_on 1 switch 1 0 1 | 76 time stage in use
i76_cont_a 1 A 360 1 900 | current carried without end by the weakest part
i76_a2s 1 A2s 400000 10 100000000 | I2t above the continuous current at which 76 trips
# 49 thermal
e49_on 1 switch 1 0 1 | 49 in use
t49_alarm_dc 1 0.1degC 450 200 900 | 49 alarm and derate
t49_alarm_dropout_dc 1 0.1degC 420 190 890 | 49 alarm releases below this
t49_trip_dc 1 0.1degC 550 250 1000 | 49 trip
t49_trip_dropout_dc 1 0.1degC 500 240 990 | 49 trip releases below this
t49_delay_ms 1 ms 4300 100 60000 | 49: time to act
t49_cold_dc 1 0.1degC 0 -400 300 | 49 cold: no charging at or below this
t49_cold_dropout_dc 1 0.1degC 20 -390 310 | 49 cold releases above this
""",
    """
# 64 isolation
e64_on 1 switch 1 0 1 | 64 in use
iso_test_kohm 1 kohm 100 10 2000 | test resistor of the isolation monitor
iso_phase_ms 1 ms 1000 200 10000 | time allowed for a reading to settle
iso_trip_ohmv 1 ohm/V 100 20 1000 | 64 trip, ohms for each volt of string
iso_trip_dropout_ohmv 1 ohm/V 150 21 2000 | 64 trip releases above this
iso_alarm_ohmv 1 ohm/V 500 30 5000 | 64 alarm
iso_alarm_dropout_ohmv 1 ohm/V 600 31 6000 | 64 alarm releases above this
iso_delay_ms 1 ms 1000 0 60000 | 64: time to act once measured
# 48 precharge
pre_band_permille 1 permille 40 5 100 | main may close with the link within this of the string
pre_slow_ms 1 ms 1050 50 30000 | 48 slow: longest precharge
pre_fast_ms 1 ms 150 5 20000 | 48 fast: shortest believable precharge
pre_check_ms 1 ms 220 10 20000 | 48 shape: when the curve is looked at
pre_check_low_permille 1 permille 350 10 950 | 48 shape: link at that time, at least
pre_check_high_permille 1 permille 900 50 995 | 48 shape: link at that time, at most
""",
    """
# 72 main contactor
k72_close_ms 1 ms 200 20 2000 | 72: longest closing time
k72_open_ms 1 ms 900 50 10000 | 72: longest opening time, by link and by contact
k72_drop_permille 1 permille 20 2 500 | 72: link must fall this far below the string
k72_chatter_n 1 count 6 3 50 | 72: auxiliary contact changes in a second
# 27X aux supply
e27x_on 1 switch 1 0 1 | 27X in use
aux_alarm_mv 1 mV 11600 5000 14000 | 27X alarm
aux_alarm_dropout_mv 1 mV 12000 5100 14500 | 27X alarm releases above this
aux_alarm_ms 1 ms 2000 100 60000 | 27X: time to alarm
aux_trip_mv 1 mV 9000 4000 13000 | 27X trip
aux_trip_dropout_mv 1 mV 10500 4100 13500 | 27X trip releases above this
aux_trip_ms 1 ms 50 10 5000 | 27X: time to trip
# 69 permissives
lost_fast_ms 1 ms 10 0 20 | emergency stop: time to believe it
lost_ms 1 ms 30 0 100 | other permissives: time to believe a loss
made_ms 1 ms 200 20 2000 | permissives: time to believe a return
start_hold_ms 1 ms 100 20 5000 | start must be held this long
reset_hold_ms 1 ms 1000 200 10000 | reset must be held this long
stuck_button_ms 1 ms 30000 2000 120000 | a start or reset held longer is stuck
""",
    """
# Sequence
boot_ms 1 ms 500 100 10000 | self-test lasts at least this
min_dwell_ms 1 ms 500 50 10000 | shortest stay in a mode
shed_ms 1 ms 50 20 2000 | longest wait for the current to fall before opening
break_ma 1 mA 20000 1000 200000 | current at which the contactor may open at once
unplug_hold_ms 1 ms 3000 1000 60000 | no drive for this long after the plug was seen
link_dead_mv 1 mV 60000 5000 60000 | link below this is safe to charge behind
ops_max 1 count 6 1 60 | closings of main and charger allowed at once; then one more each window / ops_max
ops_window_ms 1 ms 60000 1000 600000 | window of the closing limit: in any one, twice ops_max at the most
clear_ms 1 ms 2000 100 60000 | cause must be gone this long before a reset
derate_permille 1 permille 400 0 900 | power limit asked for while derating
limit_up_permille_s 1 permille/s 100 10 2000 | how fast a limit is lifted
limit_down_permille_s 1 permille/s 1000 10 20000 | how fast a limit is brought in
# Timing and talk
late_ms 1 ms 15 2 1000 | a scan this much late counts; the score alarms
late_trip_ms 1 ms 300 50 5000 | score of lateness that trips
meas_ms 1 ms 100 100 10000 | interval of measurements
state_ms 1 ms 1000 200 60000 | interval of state and counters
reset_code 1 code 0 0 999999 | code that resets a lockout by wire; 0 forbids it
""",
)

# low setting, high setting, least margin | meaning: pairs that must keep their order, so that a dropout can never
# meet its pickup (no chatter) and a stage can never outrank the one above it.
ORDER_ROWS = (
    """
v27_pickup_mv v27_dropout_mv 50 | 27 must release above where it picks up
v27_floor_mv v27_floor_dropout_mv 50 | 27 floor must release above where it picks up
v27_floor_mv v27_pickup_mv 0 | 27 floor lies at or below the time stage
range_low_mv v27_floor_mv 500 | 27 floor must be a believable voltage
v27_dropout_mv v59_dropout_mv 100 | 27 and 59 must not overlap
v27_derate_ms v27_delay_ms 0 | 27 derates before it trips
rcomp_uohm rcomp_max_uohm 0 | learnt compensation starts below its bound
v59_dropout_mv v59_pickup_mv 20 | 59 must release below where it picks up
v59_high_dropout_mv v59_high_mv 50 | 59 high must release below where it picks up
v59_pickup_mv v59_high_mv 0 | 59 high lies at or above the time stage
v59_high_mv range_high_mv 100 | 59 high must be a believable voltage
v59_derate_ms v59_delay_ms 0 | 59 derates before it trips
v60_dropout_mv v60_pickup_mv 10 | 60 must release below where it picks up
i76_inst_dropout_ma i76_inst_ma 100 | 76 must release below where it picks up
i76_inst_ma current_limit_ma 0 | 76 must lie within the sensor's range
""",
    """
break_ma i76_inst_ma 0 | the breaking current lies below 76
t49_alarm_dropout_dc t49_alarm_dc 5 | 49 alarm must release below where it picks up
t49_trip_dropout_dc t49_trip_dc 5 | 49 trip must release below where it picks up
t49_alarm_dc t49_trip_dc 0 | 49 alarms before it trips
t49_cold_dc t49_cold_dropout_dc 5 | 49 cold must release above where it picks up
t49_cold_dropout_dc t49_alarm_dropout_dc 0 | 49 cold lies below 49 hot
iso_trip_ohmv iso_trip_dropout_ohmv 5 | 64 must release above where it picks up
iso_alarm_ohmv iso_alarm_dropout_ohmv 5 | 64 alarm must release above where it picks up
iso_trip_ohmv iso_alarm_ohmv 0 | 64 alarms before it trips
pre_fast_ms pre_slow_ms 10 | 48: fast lies before slow
pre_check_ms pre_slow_ms 10 | 48: the shape is looked at before slow
pre_check_low_permille pre_check_high_permille 50 | 48: the shape has a width
aux_alarm_mv aux_alarm_dropout_mv 50 | 27X alarm must release above where it picks up
aux_trip_mv aux_trip_dropout_mv 50 | 27X must release above where it picks up
""",
    """
aux_trip_mv aux_alarm_mv 0 | 27X alarms before it trips
lost_fast_ms lost_ms 0 | the emergency stop is believed first
sum_dropout_mv sum_band_mv 50 | the sum must be believed again below where it is doubted
ref_dropout_permille ref_band_permille 1 | a reference must be believed again below where it is doubted
current_rest_dropout_ma current_rest_ma 50 | current at rest must be believed again below where it is doubted
late_ms late_trip_ms 10 | lateness alarms before it trips
m_alarm_ms m_trip_ms 100 | measurement faults alarm before they trip
""",
)


def row(line):
    """(name, count, unit, default, lowest, highest, meaning) of a line of ROWS."""
    c, about = text.cells(line)
    default = tuple([int(d) for d in c[3].split(",")]) if "," in c[3] else int(c[3])
    return c[0], int(c[1]), c[2], default, int(c[4]), int(c[5]), about


def order(line):
    """(low setting, high setting, margin, meaning) of a line of ORDER_ROWS."""
    c, about = text.cells(line)
    return c[0], c[1], int(c[2]), about


def table():
    """Every row, as `row` gives it."""
    return tuple([row(line) for line in text.lines(ROWS)])


def ordered():
    """Every pair, as `order` gives it."""
    return tuple([order(line) for line in text.lines(ORDER_ROWS)])
