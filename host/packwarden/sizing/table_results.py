"""What sizing tells: one row for each result.  The table is the documentation; docs/sizing.md is made from it.

A row: name | unit | formula | source | what it is | what it means when it is not ok.  Names and texts with %-fields are
filled in by the topic that tells the row.
"""

ROWS = (
    """
# Taps and their error
taps.gain | 1 | abs(tap_gain_nv / (full scale / 2^16 * ratio) - 1) | closed form | tap_gain_nv of the settings against the dividers' own gains, the farthest | farther off than the resistors' tolerance: calibrate every tap // these settings are not for this divider
taps.worst | V | shared * V_module + own * (V_upper + V_lower) + 2 fixed | closed form, sum of half-widths | worst case of the worst module, module %d (place %d of box %d) |
taps.rss | V | shared * V_module + own * (V_upper + V_lower) + 2 fixed | closed form, root of the sum of squares of half-widths | the same, RSS |
taps.monte_carlo | V | shared * V_module + own * (V_upper + V_lower) + 2 fixed | Monte Carlo, drift correlated by temperature | the same, 99.7 % of heads built and calibrated |
taps.module_%d | V | shared * V_module + own * (V_upper + V_lower) + 2 fixed | closed form | module %s: worst case; RSS %.0f mV, Monte Carlo %.0f mV |
taps.cause_%d | V | shared * V_module + own * (V_upper + V_lower) + 2 fixed | closed form | of that: %s |
taps.range | 1 | full scale * (top + bottom) / bottom / (place * 59 high) | closed form | what the fullest tap can show, against every module at 59 high | the converter's range ends before 59 can act
taps.string_range | 1 | full scale * (top + bottom) / bottom / highest of the string | closed form | what the string's and the link's tap can show, against the highest of the string | its range ends below the string's highest
taps.string_gain | 1 | abs(gain_nv / (full scale / 2^16 * ratio) - 1) | closed form | string_gain_nv and link_gain_nv against the divider's own gain, the farther | farther off than the resistors' tolerance: calibrate both // these settings are not for this divider
taps.string_part_v | V | V / top_parts | closed form | voltage across one top resistor of the string's tap | near or over its working voltage
taps.load | A | V / (top + bottom) | closed form | current that the fullest tap's divider takes for ever | drains the modules unevenly
taps.part_v | V | V / top_parts | closed form | voltage across one top resistor | near or over its working voltage
taps.part_w | W | I^2 R / top_parts | closed form | power in one top resistor |
taps.corner | Hz | 1 / (2 pi (top || bottom) C) | closed form; ngspice gives 24.99 Hz for 1 Mohm, 68 kohm, 100 nF | corner of the filter |
taps.settle | s | tau ln(I R n / 10 mV) | closed form | time until a full load step is settled to 10 mV at the fullest tap | taps of unequal filters can look like a weak module for this long
taps.tap_%d | V | (shared + own) * V_tap + fixed | closed form | tap %s: worst case; RSS %.0f mV |
# What that does to the thresholds
thresholds.%s_%s.hysteresis | V | abs(pickup - dropout) >= 2 * 3.3 sigma + 1 mV | normal distribution; closed form of the filter | %s %s: from pickup to dropout, against the noise of a reading | less than twice the noise // the hysteresis lies below the noise: the stage would chatter
thresholds.27_floor.reversal | V | distance >= worst-case error of the worst module | closed form, topic taps | 27 floor: pickup above a module at nothing | the worst error leaves little of it // a module may be reversed while it reads above the floor
thresholds.27_time.floor | V | distance >= worst-case error of the worst module | closed form, topic taps | 27 time: pickup above the floor stage | the floor may act before the time stage
thresholds.27_rest.release | V | distance >= worst-case error of the worst module | closed form, topic taps | 27 rest: dropout below a module resting at 20 % charge | a healthy module at 20 % may never let it release
thresholds.59_time.charge | V | distance >= worst-case error of the worst module | closed form, topic taps | 59 time: pickup above the charger's absorption voltage, both at 25 degC | the worst error leaves little of it // a good charger on a good module may trip it: the margin lies below the error
thresholds.59_time.release | V | distance >= worst-case error of the worst module | closed form, topic taps | 59 time: dropout above the charger's absorption voltage, both at 25 degC | a derate may not release while the charger absorbs
thresholds.59_high.range | V | distance >= worst-case error of the worst module | closed form, topic taps | 59 high: pickup below range_high_mv | the worst error leaves little of it // the reading may be called impossible before 59 acts
thresholds.60_alarm.balanced | V | distance >= worst-case error of the worst module and of the median | closed form, topic taps | 60 alarm: pickup, against measuring error alone | the worst error leaves little of it // measuring alone may set it off: the pickup lies below the error
thresholds.60_alarm.release | V | distance >= worst-case error of the worst module and of the median | closed form, topic taps | 60 alarm: dropout, against measuring error alone | the worst error leaves little of it // measuring alone may keep it from releasing: the dropout lies below the error
thresholds.sum | V | sum_dropout_mv >= top taps of all boxes + string tap | closed form, topic taps | sum of the modules against the string tap: sum_dropout_mv, against measuring error alone | the worst error leaves little of it // measuring alone may keep the sum in doubt
# The converter
converter.%s.error | V | topic thresholds with this converter | closed form | %s%s: worst error of any stage of 27, 59 and 60; refused with it: %s | another converter
converter.%s.count | V | full scale / 2^bits * ratio | definition | %s%s, %d bits over %g V: one count at the fullest tap |
""",
    """
# Main fuse, contactor and 76
fuse.short | A | V / R | Ohm | current into a short across the string, full and warm |
fuse.breaks | A | breaking capacity >= V / R | definition | what the fuse breaks, against that | a fuse beyond its breaking capacity may burst and burn on
fuse.volts | V | rated >= highest | definition | rated direct voltage of the fuse, against the highest of the string | its arc may not go out
fuse.carries | A | rating * ambient factor | common practice, no source | what the fuse carries when warm, against the controller's limit | full power for long ages the fuse or melts it
fuse.multiple | 1 | I / rating | common practice, no source | short-circuit current in ratings of the fuse | a short through a worn pack may melt it slowly
fuse.cable | A2s | k^2 S^2 | adiabatic rule of IEC 60364, from memory | I2t that the cable stands, against what the fuse lets through |
fuse.contactor | A2s | withstand >= let-through | definition | I2t that closed contacts stand, against the same | contacts may weld before the fuse has cleared
fuse.i76_cable | A | i76_cont_a <= what it carries for ever | definition | i76_cont_a against what the cable carries | 76 lets the cable get hotter than its insulation may
fuse.i76_contactor | A | i76_cont_a <= what it carries for ever | definition | i76_cont_a against what the contactor carries | 76 lets the contactor get too hot
fuse.i76_fuse | A | i76_cont_a <= what it carries for ever | definition | i76_cont_a against what the fuse carries when warm | the fuse may melt at a current that 76 allows for ever
fuse.i76_first | A | a2s / (I^2 - cont^2) of both | the bench's model of a fuse | lowest current at which the fuse melts before 76 time trips (76 instantaneous above %g A) | from there to %g A the fuse goes first, without shedding: lower i76_a2s
fuse.i76_off | 1 | e76_time_on | definition | 76 time is switched off | nothing but the fuse ends an overload below 76 instantaneous
fuse.staged | s | tau ln(I / break) | closed form | time in which the controller's current falls to break_ma, against shed_ms | contacts open under load at every trip
fuse.deaf | A | controller's limit | definition | current broken when the controller does not let go within shed_ms | near or over what it breaks again and again
fuse.inst | A | sqrt(rated^2 + a2s / t) | the bench's model of a fuse; t = i76_inst_ms, two scans and the release | largest current that 76 instantaneous has the contacts break before the fuse has melted | the contactor may burn: a faster fuse, or one that breaks more
fuse.break_volts | V | rated >= highest | definition | voltage that the contacts are rated to break, against the highest of the string | an arc may stand
# Traction cable
cable.ohm | ohm | R' l | IEC 60228, plain copper | resistance of all cable at 20 degC, class %d, against cable_ohm of the pack | the bench reckons with less: correct the pack file
cable.ohm_odd | ohm | rho l / A, and 2 % for the lay of the strands | conductivity of ASTM B258; the lay from memory | resistance of all cable at 20 degC, a size that IEC 60228 has not, against cable_ohm of the pack | the bench reckons with less: correct the pack file
cable.drop | V | I R' l (230 + T)/250 | IEC 60228; 3 %: common practice, no source | drop at the controller's limit, hot, against 3 % of nominal | a thicker cable, or a shorter way
cable.carries | A | I^2 R = h pi d (T - T0) | heat balance; h: common practice, no source | current it carries for ever at the warmest ambient, against the hardest cycle's rms | a thicker cable
cable.temperature | degC | I^2 R = h pi d (T - T0) | heat balance | temperature it settles at on the hardest cycle |
cable.full_power | s | 250 C A / (I^2 R20) ln((230 + T1)/(230 + T0)) | closed form without loss; heat capacity from memory | time at the controller's limit from there to the insulation's limit, at least |
cable.volts | V | rated >= highest | definition | rated voltage of the cable, against the highest of the string |
cable.awg_none | mm2 | ASTM B258 | ASTM B258 | no gauge is as thick: two in parallel |
cable.awg | ohm | rho l / (pi d^2 / 4), d = 0.005 in * 92^((36-n)/39) | ASTM B258, solid; a stranded one has about 2 % more, from memory | the same way in AWG %s (%.1f mm2): resistance at 20 degC |
# Sense lead
sense_lead.load | A | V / (top + bottom) | Ohm | current of a divider across the whole string, against a tenth of the fuse |
sense_lead.breaks | A | capacity >= V / R | Ohm | breaking capacity, against a short of the whole string at the fuse | a small glass fuse bursts here: a fuse of higher capacity
sense_lead.volts | V | rated >= highest | definition | rated direct voltage of the fuse, against the highest of the string | its arc may not go out
sense_lead.wire_volts | V | rated >= highest | definition | rated voltage of the wire, against the same |
sense_lead.a2s | A2s | k^2 S^2 | adiabatic rule of IEC 60364, from memory | I2t that the wire stands, against what its fuse lets through | the wire may go before the fuse
sense_lead.heat | degC | I^2 R = h pi d (T - T0) | heat balance; h: estimate, no source | temperature of the wire at 1.5 times the fuse's rating, for ever | a thicker wire or a smaller fuse
sense_lead.melts | A | V / (2 lead + 2 fuse + R) | Ohm; 4: common practice, no source | current when two neighbours touch at the head, against 4 times the rating | the lead may glow without its fuse going
sense_lead.error | V | I (lead + fuse) | Ohm | error that lead and fuse add to a tap | calibrate with the lead on
""",
    """
# Precharge
precharge.tau | s | R C | closed form | time constant |
precharge.final | 1 | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule | where bleed and standby hold the link of a full pack as its tap may show it, against the band where main may close | the link never comes into the band: main can't close
precharge.final_low | 1 | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule | the same, pack at %g %% charge, largest resistor | it only just comes into the band, or not at all: a smaller resistor, or a wider pre_band_permille
precharge.time | s | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule; without load R C ln(1 / band), closed form and ngspice | time to the band, nominal parts and a full pack, against 48 slow | near the end of what 48 allows // 48 slow trips every time
precharge.slowest | s | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule | time to the band, slowest parts, pack at %g %% charge, against 48 slow | 48 slow may trip good parts: raise pre_slow_ms, or take a smaller resistor
precharge.fastest | s | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule | time to the band, fastest parts, against 48 fast | 48 fast may trip good parts
precharge.shape_low | 1 | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule | link at pre_check_ms, slowest parts, against the window's lower edge | 48 shape may trip good parts
precharge.shape_high | 1 | C dv/dt = (V - v)/R - v/bleed - P/v | Kirchhoff, midpoint rule | link at pre_check_ms, fastest parts, against the window's upper edge | 48 shape may trip good parts
precharge.short_slow | J | V^2 / R * t | Ohm | heat if the shape is missed and only 48 slow opens | near or beyond the pulse rating: a lower pre_slow_ms or a larger resistor
precharge.make | A | band * V / (string + main) | Ohm | current that main makes when it closes at the edge of the band | near what the contacts make without welding: a narrower band or a slower start
precharge.energy | J | C V^2 / 2 | closed form | heat of one precharge, largest link and voltage | near or over the pulse rating
precharge.repeated | K | pulses of E / C, cooling by exp(-t G / C) | closed form of one lump | rise of temperature when somebody tries again and again as fast as the relay allows | allow fewer closings (ops_max, ops_window_ms) or take a larger resistor
precharge.short | J | V^2 / R * t | Ohm; t = pre_check_ms, a scan and the contactor's release | heat into a shorted link until 48 shape opens it | the resistor may burn before 48 opens
precharge.stuck | s | C (T_high - T) / P | closed form of one lump | time to the resistor's limit on a shorted link when nothing opens (precharge contactor welded) | put a fuse or a thermal cut-out in this branch: the relay can't open a weld
precharge.volts | V | string on charge, in the cold | definition | voltage across the resistor |
# Discharge
discharge.safe | s | R C ln(V / 60 V) | closed form; 60 V: UN R100 | time until the link is below 60 V, by the bleed alone | longer than the label says, or nearly
discharge.dead | s | R C ln(V / link_dead) | closed form | time until the relay takes the link for dead (link_dead_mv) | link_dead_mv lies above 60 V
discharge.power | W | V^2 / R | Ohm | power in the bleed resistor while the link is live | more than half its rating: it lives longer below
discharge.weld | 1 | 1 - exp(-t / R C) | closed form | fall of the link within k72_open_ms as its tap may show it, against what 72 wants to see | 72 may take a good contactor for welded: a smaller bleed, or a longer k72_open_ms
""",
    """
# Isolation monitor
isolation.%s | ohm/V | Ri = Ro Vb (1/V1' - 1/V1) | UN R100 Rev. 2, annex 4B; corners of the errors | 64 %s: error of a reading at %g ohm/V, which reads %.1f to %.1f | wrong by more than a quarter
isolation.%s_hysteresis | ohm/V | 1 kohm / V | the relay's own arithmetic | 64 %s: from pickup to dropout, against a reading's steps | the hysteresis lies below the steps of the reading
isolation.sure | ohm/V | Ri = Ro Vb (1/V1' - 1/V1) | UN R100 Rev. 2, annex 4B: 100 ohm/V | true isolation below which 64 has surely tripped, against 100 ohm/V | a leak at the limit may not trip: a higher iso_trip_ohmv is on the safe side
isolation.resolution | ohm/V | 1 kohm / V | the relay's own arithmetic | step of a reading: the relay counts whole kohm, downward |
isolation.touch | A | V / Ro | Ohm; the body's resistance taken as nothing | current through the test resistor into whoever bridges the other end meanwhile | no limit is asserted here
isolation.own | ohm/V | Ro / V | Ohm | isolation that the test resistor itself leaves while it is on, against 64 alarm | a larger test resistor: the monitor itself is a leak
isolation.power | W | V^2 / R | Ohm | power in the test resistor | a larger one
isolation.farad | F | t / (R ln 100) | closed form | largest capacitance to the chassis that still settles at 64 alarm | compare with the filters of controller and charger
""",
    """
# Charger
charger.mains | A | P / (efficiency V cos) | definition; how much of a breaker for hours: common practice, no source | current from the mains at full power | a smaller charging current, or another circuit
charger.rate | A/Ah | I / C20 | common practice, no source | charging current for each ampere-hour |
charger.night | h | step by step | the bench's pack and charger; values of the chemistry file | time from %g %% discharged to float, against the night | not full by morning, or nearly
charger.energy | Wh | sum of V I dt / efficiency | the bench's pack and charger; values of the chemistry file | energy from the mains for that |
charger.factor | 1 | Ah in / Ah gained | the bench's pack and charger; values of the chemistry file | ampere-hours in for each that stays |
charger.full | 1 | step by step | the bench's pack and charger; values of the chemistry file | charge state of the least full module when float begins | float begins early: a lower tail_a, or longer absorption
# Air
hydrogen.none | m3/h | none in ordinary service | from memory | hydrogen on charge |
hydrogen.box_%d_%s | m3/h | 0.0504 n I_gas C / 1000 | IEC 62485-2; gassing currents from memory | box %d, %d cells, %s at %g mA/Ah: air |
hydrogen.box_%d_opening | cm2 | A = 28 Q | IEC 62485-2, from memory | box %d: free area of each of two openings, against boost | larger openings, or a fan that the charger waits for
hydrogen.box_%d_runaway | m3/h | 0.0504 n I | IEC 62485-2 | box %d: its fan, against all of the charger's current turned to gas | a charger that runs away gasses faster than the fan airs: 59 must end it
""",
    """
# Coil and clamp
coil.release | s | L/R ln((I0 + Vc/R) / (let_go + Vc/R)) + travel | closed form | time from command to open contacts, against main_release_s of the pack | nearly as long as the bench reckons with // opens later than the bench and the budgets reckon with: a higher clamp voltage
coil.diode | s | L/R ln((I0 + Vc/R) / (let_go + Vc/R)) + travel | closed form | the same with a plain diode, for comparison |
coil.energy | J | L I^2 / 2 | closed form | energy of one release, against the clamp's pulse rating | a larger clamp
coil.driver | V | supply + clamp | definition | voltage at the driver, against its rating | a lower clamp or a driver for more
coil.dump | V | net + clamp | from memory | the same while the 12 V net is at 40 V because its battery came off | protect the 12 V input, or the driver fails
coil.holds | A | V / R | Ohm | current of a warm coil at aux_trip_mv, against letting go | main may drop out under load before 27X trips
# 12 V side
aux.dcdc | A | sum | definition | all loads together, against the DC-DC | the 12 V battery drains while driving
aux.reserve | h | C / 2 I | common practice, no source | time the 12 V battery carries that alone, half of it used | a larger 12 V battery
aux.pull_in | V | V - I R | Ohm | 12 V net as main pulls in with everything on, against 27X alarm | 27X may act as main pulls in
aux.power | W | V I / efficiency | definition | power of the DC-DC from the pack, against accessory_w of the pack file | range is reckoned with less: true with everything on, seldom on the mean
""",
    """
# Range
range.%s.use | Wh/km | sum of P dt / distance | road load, tests/published/test_road_load.py | %s: energy from the link |
range.%s.kinetic | km | two wells, one mean module, second by second | Manwell and McGowan 1993; values of the chemistry file | %s: range until 27 would stop it, from %.0f to %.0f | less than wanted at the low end of what is uncertain
range.%s.rated | km | V Ah / (Wh/km) | definition | %s: the same by rated capacity, which is too good for lead-acid |
range.cold | km | capacity lost by the degree | chemistry file, +-50 %: estimate, no source | %s with the pack at %g degC |
# Mass
mass.pack | kg | n * module + boxes | statics | modules and boxes |
mass.box_%d | kg | n * module + box | statics | box %d, with its modules |
mass.front | kg | moments about the rear axle | statics | front axle as the pack file's mass_kg is driven | near or over what the axle may carry
mass.rear | kg | moments about the rear axle | statics | rear axle as the pack file's mass_kg is driven | near or over what the axle may carry
mass.boat | 1 | pack / boat | definition | pack against the boat with its added water | a person who knows boats
mass.bare | kg | mass - pack | statics | what is left of the car's mass without the pack | mass_kg of the pack file leaves no car
""",
)
