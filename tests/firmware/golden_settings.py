"""Every setting with its count, unit, default and bounds, written out once more: a changed default shows here."""

# name, count, unit, default, lowest, highest.
SETTINGS = """
n_modules 1 count 12 1 24
box_modules 6 count 5,7,0,0,0,0 0 24
module_nominal_mv 1 mV 12000 1000 16000
tap_gain_nv 24 nV/count 2000000 1000 16000000
tap_offset_mv 24 mV 0 -2000 2000
string_gain_nv 1 nV/count 6000000 1000 16000000
string_offset_mv 1 mV 0 -5000 5000
link_gain_nv 1 nV/count 6000000 1000 16000000
link_offset_mv 1 mV 0 -5000 5000
iso_gain_nv 1 nV/count 6000000 1000 16000000
aux_gain_nv 1 nV/count 312500 1000 16000000
current_gain_ua 1 uA/count 16000 -20000 20000
current_zero 1 count 32768 20000 45000
probe_offset_dc 6 0.1degC 0 -200 200
ref_nominal 1 count 32768 1000 65000
filter_shift 1 2^-n 1 0 4
open_counts 1 count 60 1 2000
range_low_mv 1 mV -9000 -30000 0
range_high_mv 1 mV 18000 2000 40000
stuck_ma 1 mA 30000 1000 500000
stale_ms 1 ms 500 250 10000
sum_band_mv 1 mV 4000 200 50000
sum_dropout_mv 1 mV 2500 100 49000
ref_band_permille 1 permille 15 2 200
ref_dropout_permille 1 permille 8 1 190
current_limit_ma 1 mA 510000 1000 900000
current_rest_ma 1 mA 5000 100 50000
current_rest_dropout_ma 1 mA 3000 50 49000
m_alarm_ms 1 ms 700 100 10000
m_trip_ms 1 ms 9500 500 60000
e27_on 1 switch 1 0 1
v27_pickup_mv 1 mV 10500 500 15000
v27_dropout_mv 1 mV 11200 500 16000
v27_derate_ms 1 ms 500 100 20000
v27_delay_ms 1 ms 4500 200 60000
v27_floor_mv 1 mV 8000 300 14000
v27_floor_dropout_mv 1 mV 9500 400 15000
v27_floor_ms 1 ms 240 10 2000
rcomp_uohm 1 uohm 5000 0 100000
rcomp_max_uohm 1 uohm 9000 0 100000
rcomp_learn 1 switch 1 0 1
rcomp_step_ma 1 mA 25000 2000 500000
e59_on 1 switch 1 0 1
v59_pickup_mv 1 mV 15000 1000 20000
v59_dropout_mv 1 mV 14600 900 20000
v59_tempco_mv 1 mV/degC -18 -100 0
v59_derate_ms 1 ms 1000 100 60000
v59_delay_ms 1 ms 10000 200 120000
v59_high_mv 1 mV 16500 1000 30000
v59_high_dropout_mv 1 mV 15500 900 29000
v59_high_ms 1 ms 400 10 5000
e60_on 1 switch 1 0 1
v60_pickup_mv 1 mV 600 20 5000
v60_dropout_mv 1 mV 400 10 4900
v60_slope_uohm 1 uohm 800 0 20000
v60_delay_ms 1 ms 4500 200 120000
i76_inst_ma 1 mA 450000 1000 900000
i76_inst_dropout_ma 1 mA 400000 900 890000
i76_inst_ms 1 ms 10 0 200
e76_time_on 1 switch 1 0 1
i76_cont_a 1 A 360 1 900
i76_a2s 1 A2s 400000 10 100000000
e49_on 1 switch 1 0 1
t49_alarm_dc 1 0.1degC 450 200 900
t49_alarm_dropout_dc 1 0.1degC 420 190 890
t49_trip_dc 1 0.1degC 550 250 1000
t49_trip_dropout_dc 1 0.1degC 500 240 990
t49_delay_ms 1 ms 4300 100 60000
t49_cold_dc 1 0.1degC 0 -400 300
t49_cold_dropout_dc 1 0.1degC 20 -390 310
e64_on 1 switch 1 0 1
iso_test_kohm 1 kohm 100 10 2000
iso_phase_ms 1 ms 1000 200 10000
iso_trip_ohmv 1 ohm/V 100 20 1000
iso_trip_dropout_ohmv 1 ohm/V 150 21 2000
iso_alarm_ohmv 1 ohm/V 500 30 5000
iso_alarm_dropout_ohmv 1 ohm/V 600 31 6000
iso_delay_ms 1 ms 1000 0 60000
pre_band_permille 1 permille 40 5 100
pre_slow_ms 1 ms 1050 50 30000
pre_fast_ms 1 ms 150 5 20000
pre_check_ms 1 ms 220 10 20000
pre_check_low_permille 1 permille 350 10 950
pre_check_high_permille 1 permille 900 50 995
k72_close_ms 1 ms 200 20 2000
k72_open_ms 1 ms 900 50 10000
k72_drop_permille 1 permille 20 2 500
k72_chatter_n 1 count 6 3 50
e27x_on 1 switch 1 0 1
aux_alarm_mv 1 mV 11600 5000 14000
aux_alarm_dropout_mv 1 mV 12000 5100 14500
aux_alarm_ms 1 ms 2000 100 60000
aux_trip_mv 1 mV 9000 4000 13000
aux_trip_dropout_mv 1 mV 10500 4100 13500
aux_trip_ms 1 ms 50 10 5000
lost_fast_ms 1 ms 10 0 20
lost_ms 1 ms 30 0 100
made_ms 1 ms 200 20 2000
start_hold_ms 1 ms 100 20 5000
reset_hold_ms 1 ms 1000 200 10000
stuck_button_ms 1 ms 30000 2000 120000
boot_ms 1 ms 500 100 10000
min_dwell_ms 1 ms 500 50 10000
shed_ms 1 ms 50 20 2000
break_ma 1 mA 20000 1000 200000
unplug_hold_ms 1 ms 3000 1000 60000
link_dead_mv 1 mV 60000 5000 60000
ops_max 1 count 6 1 60
ops_window_ms 1 ms 60000 1000 600000
clear_ms 1 ms 2000 100 60000
derate_permille 1 permille 400 0 900
limit_up_permille_s 1 permille/s 100 10 2000
limit_down_permille_s 1 permille/s 1000 10 20000
late_ms 1 ms 15 2 1000
late_trip_ms 1 ms 300 50 5000
meas_ms 1 ms 100 100 10000
state_ms 1 ms 1000 200 60000
reset_code 1 code 0 0 999999
"""

# lower setting, higher setting, least distance.
PAIRS = """
v27_pickup_mv v27_dropout_mv 50
v27_floor_mv v27_floor_dropout_mv 50
v27_floor_mv v27_pickup_mv 0
range_low_mv v27_floor_mv 500
v27_dropout_mv v59_dropout_mv 100
v27_derate_ms v27_delay_ms 0
rcomp_uohm rcomp_max_uohm 0
v59_dropout_mv v59_pickup_mv 20
v59_high_dropout_mv v59_high_mv 50
v59_pickup_mv v59_high_mv 0
v59_high_mv range_high_mv 100
v59_derate_ms v59_delay_ms 0
v60_dropout_mv v60_pickup_mv 10
i76_inst_dropout_ma i76_inst_ma 100
i76_inst_ma current_limit_ma 0
break_ma i76_inst_ma 0
t49_alarm_dropout_dc t49_alarm_dc 5
t49_trip_dropout_dc t49_trip_dc 5
t49_alarm_dc t49_trip_dc 0
t49_cold_dc t49_cold_dropout_dc 5
t49_cold_dropout_dc t49_alarm_dropout_dc 0
iso_trip_ohmv iso_trip_dropout_ohmv 5
iso_alarm_ohmv iso_alarm_dropout_ohmv 5
iso_trip_ohmv iso_alarm_ohmv 0
pre_fast_ms pre_slow_ms 10
pre_check_ms pre_slow_ms 10
pre_check_low_permille pre_check_high_permille 50
aux_alarm_mv aux_alarm_dropout_mv 50
aux_trip_mv aux_trip_dropout_mv 50
aux_trip_mv aux_alarm_mv 0
lost_fast_ms lost_ms 0
sum_dropout_mv sum_band_mv 50
ref_dropout_permille ref_band_permille 1
current_rest_dropout_ma current_rest_ma 50
late_ms late_trip_ms 10
m_alarm_ms m_trip_ms 100
"""
