"""What the tables are meant to say, written out once more, so that a changed row is a deliberate act.

Nothing here is read from the firmware.  A change of a table must be made here, too, by somebody who means it.
"""

MODES = "boot rest precharge drive shed charge lockout".split()

# The words of the fact word and of the outputs, bit 0 first.
FACTS = """
key start unplug interlock estop crash service mainaux reset pedal strap
held go fill trip trip_now latched cleared low_current precharged link_dead dwelt waited tested may_close asked
alarmed derated
""".split()
OUTPUTS = "main pre charger enable fan lamp triplamp buzzer iso_pos iso_neg".split()
ACTIONS = "alarm derate nodrive nocharge staged open".split()
QUANTITIES = {
    "string": """
        ma i2t aux iso pre_ms pre_fast pre_shape not_closed not_open chatter no_estop no_crash no_service
        no_interlock plug sum sensor rest_ma dead_ma late memory button off taps
    """.split(),
    "box": "temp ref probe age".split(),
    "module": "raw mv comp hot away open range stuck".split(),
}

# number, stage, what it watches, its quantity, pickup, dropout (each with the setting it is), delay, actions,
# modes awake in (first letters, `-` asleep), switch.
ELEMENTS = """
27 derate module.comp <=v27_pickup_mv=10500 >=v27_dropout_mv=11200 v27_derate_ms=500 alarm+derate --pds-- e27_on
27 time module.comp <=v27_pickup_mv=10500 >=v27_dropout_mv=11200 v27_delay_ms=4500 staged --pds-l e27_on
27 floor module.raw <=v27_floor_mv=8000 >=v27_floor_dropout_mv=9500 v27_floor_ms=240 staged --pds-l e27_on
27 rest module.mv <=v27_pickup_mv=10500 >=v27_dropout_mv=11200 v27_derate_ms=500 alarm+nodrive -r---c- e27_on
59 derate module.hot >=v59_pickup_mv=15000 <=v59_dropout_mv=14600 v59_derate_ms=1000 alarm+derate ---d-c- e59_on
59 time module.hot >=v59_pickup_mv=15000 <=v59_dropout_mv=14600 v59_delay_ms=10000 staged --pdscl e59_on
59 high module.raw >=v59_high_mv=16500 <=v59_high_dropout_mv=15500 v59_high_ms=400 staged --pdscl e59_on
60 alarm module.away >=v60_pickup_mv=600 <=v60_dropout_mv=400 v60_delay_ms=4500 alarm -rpdscl e60_on
M1 alarm module.open >=1 <=0 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M1 trip module.open >=1 <=0 m_trip_ms=9500 staged -rpdscl -
M2 alarm module.range >=1 <=0 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M2 trip module.range >=1 <=0 m_trip_ms=9500 staged -rpdscl -
M3 alarm module.stuck >=1 <=0 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M3 trip module.stuck >=1 <=0 m_trip_ms=9500 staged -rpdscl -
49 alarm box.temp >=t49_alarm_dc=450 <=t49_alarm_dropout_dc=420 t49_delay_ms=4300 alarm+derate -rpdscl e49_on
49 trip box.temp >=t49_trip_dc=550 <=t49_trip_dropout_dc=500 t49_delay_ms=4300 staged -rpdscl e49_on
49C cold box.temp <=t49_cold_dc=0 >=t49_cold_dropout_dc=20 t49_delay_ms=4300 nocharge -r---c- e49_on
M5 alarm box.ref >=ref_band_permille=15 <=ref_dropout_permille=8 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M5 trip box.ref >=ref_band_permille=15 <=ref_dropout_permille=8 m_trip_ms=9500 staged -rpdscl -
M6 alarm box.age >=stale_ms=500 <=200 0 alarm+derate+nodrive+nocharge -rpdscl -
M6 trip box.age >=stale_ms=500 <=200 m_trip_ms=9500 staged -rpdscl -
M8 alarm box.probe >=1 <=0 m_alarm_ms=700 alarm+derate+nocharge -rpdscl -
M8 trip box.probe >=1 <=0 m_trip_ms=9500 staged -rpdscl -
76 inst string.ma >=i76_inst_ma=450000 <=i76_inst_dropout_ma=400000 i76_inst_ms=10 open --pdscl -
76 derate string.i2t >=700 <=350 0 alarm+derate --pdsc- e76_time_on
76 time string.i2t >=1000 <=350 0 staged --pdscl e76_time_on
27X alarm string.aux <=aux_alarm_mv=11600 >=aux_alarm_dropout_mv=12000 aux_alarm_ms=2000 alarm -rpdscl e27x_on
27X block string.aux <=aux_trip_mv=9000 >=aux_trip_dropout_mv=10500 aux_trip_ms=50 nodrive+nocharge -r----- e27x_on
27X trip string.aux <=aux_trip_mv=9000 >=aux_trip_dropout_mv=10500 aux_trip_ms=50 staged --pdscl e27x_on
64 alarm string.iso <=iso_alarm_ohmv=500 >=iso_alarm_dropout_ohmv=600 iso_delay_ms=1000 alarm -rpdscl e64_on
64 block string.iso <=iso_trip_ohmv=100 >=iso_trip_dropout_ohmv=150 \
    iso_delay_ms=1000 alarm+derate+nodrive+nocharge -r-ds-- e64_on
64 charge string.iso <=iso_trip_ohmv=100 >=iso_trip_dropout_ohmv=150 iso_delay_ms=1000 open -----cl e64_on
48 slow string.pre_ms >=pre_slow_ms=1050 <=0 0 open --p---- -
48 fast string.pre_fast >=1 <=0 0 open --p---- -
48 shape string.pre_shape >=1 <=0 0 open --p---- -
72 close string.not_closed >=1 <=0 k72_close_ms=200 staged ---ds-- -
72 open string.not_open >=1 <=0 k72_open_ms=900 open -rp--cl -
72 chatter string.chatter >=k72_chatter_n=6 <=0 0 staged ---ds-- -
69 estop string.no_estop >=1 <=0 0 open --pdscl -
69 crash string.no_crash >=1 <=0 0 open --pdscl -
69 service string.no_service >=1 <=0 0 open --pdscl -
69 interlock string.no_interlock >=1 <=0 0 staged --pdscl -
69 estop_open string.no_estop >=1 <=0 0 nodrive+nocharge -r----- -
69 crash_open string.no_crash >=1 <=0 0 nodrive+nocharge -r----- -
69 service_open string.no_service >=1 <=0 0 nodrive+nocharge -r----- -
69 cover_open string.no_interlock >=1 <=0 0 nodrive+nocharge -r----- -
69 plug string.plug >=1 <=0 0 staged --pds-- -
M4 alarm string.sum >=sum_band_mv=4000 <=sum_dropout_mv=2500 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M4 trip string.sum >=sum_band_mv=4000 <=sum_dropout_mv=2500 m_trip_ms=9500 staged -rpdscl -
M7 alarm string.sensor >=1 <=0 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M7 trip string.sensor >=1 <=0 m_trip_ms=9500 staged -rpdscl -
M7 offset string.rest_ma >=current_rest_ma=5000 <=current_rest_dropout_ma=3000 \
    m_alarm_ms=700 alarm+nodrive+nocharge -r----l -
M7 dead string.dead_ma >=3 <=0 0 alarm+derate+nodrive+nocharge -r-ds-- -
M7 deadtrip string.dead_ma >=3 <=0 m_trip_ms=9500 staged ---ds-- -
M9 alarm string.taps >=1 <=0 m_alarm_ms=700 alarm+derate+nodrive+nocharge -rpdscl -
M9 trip string.taps >=1 <=0 m_trip_ms=9500 staged -rpdscl -
M10 alarm string.late >=late_ms=15 <=0 0 alarm -rpdscl -
M10 trip string.late >=late_trip_ms=300 <=0 0 staged --pdsc- -
M11 memory string.memory >=1 <=0 0 open brpdscl -
M12 button string.button >=1 <=0 0 alarm+nodrive+nocharge -rpdscl -
74 off string.off >=1 <=0 0 alarm -rpdscl -
"""

# from, bits that must be set, bits that must be clear, to, why.  In this order: the first that fits is taken.
TRANSITIONS = """
boot trip_now - lockout trip
boot latched+tested - lockout latched
boot tested - rest tested
rest trip_now - lockout trip
rest trip - lockout trip
rest key+start+unplug+interlock+estop+crash+service+pedal+held+go+dwelt+may_close mainaux precharge start
rest interlock+estop+crash+service+fill+link_dead+dwelt+may_close key+unplug+mainaux charge plug
precharge trip_now - lockout trip
precharge trip - lockout trip
precharge - key rest key
precharge - go rest forbidden
precharge - held rest plug
precharge key+unplug+interlock+estop+crash+service+held+go+precharged mainaux drive precharged
drive trip_now - lockout trip
drive trip - shed trip
drive - key shed key
shed trip_now - lockout trip
shed latched+low_current - lockout shed
shed latched+waited - lockout waited
shed low_current - rest shed
shed waited - rest waited
charge trip_now - lockout trip
charge trip - lockout trip
charge unplug - rest unplugged
charge key - rest key
charge - fill rest forbidden
charge mainaux - rest mainaux
lockout reset+cleared+dwelt key+trip+trip_now rest reset
lockout cleared+dwelt+asked key+trip+trip_now rest asked
"""

# mode, bits that must be set, bits that must be clear, outputs on.
OUTPUT_ROWS = """
precharge - - pre
drive - - main
drive mainaux trip+trip_now enable
shed - - main
charge - unplug+mainaux charger+fan
lockout - - triplamp
any alarmed - lamp
drive derated - buzzer
shed latched - buzzer
lockout - dwelt buzzer
"""

# input, time to believe a loss, time to believe a return.
PERMISSIVES = """
key lost_ms=30 made_ms=200
start lost_ms=30 start_hold_ms=100
unplug lost_ms=30 made_ms=200
interlock lost_ms=30 made_ms=200
estop lost_fast_ms=10 made_ms=200
crash lost_ms=30 made_ms=200
service lost_ms=30 made_ms=200
mainaux 0 0
reset lost_ms=30 reset_hold_ms=1000
pedal lost_ms=30 made_ms=200
strap 0 0
"""


def bits(words, names):
    """The sum of the bits that `words` (joined by +) name; `-` is none."""
    return sum(1 << names.index(word) for word in words.split("+")) if words != "-" else 0


def limit(cell):
    """(setting or "", number) of `setting=number` or of a bare number."""
    name, _, number = cell.rpartition("=")
    return name, int(number)


class Row:
    """A row of ELEMENTS, taken apart."""

    def __init__(self, index, line):
        self.index = index
        self.number, self.stage, watched, pickup, dropout, delay, self.actions, self.awake, self.switch = line.split()
        self.watched, self.quantity_name = watched.split(".")
        self.group = ("string", "box", "module").index(self.watched)
        self.quantity = QUANTITIES[self.watched].index(self.quantity_name)
        self.over = pickup.startswith(">=")
        assert dropout.startswith("<=" if self.over else ">=")
        self.pickup_name, self.pickup = limit(pickup[2:])
        self.dropout_name, self.dropout = limit(dropout[2:])
        self.delay_name, self.delay_ms = limit(delay)
        self.action = bits(self.actions, ACTIONS)
        self.modes = [n for n in range(7) if self.awake[n] != "-"]
        self.step = 1 if self.over else -1  # one count further into the fault

    def __repr__(self):
        return "%s/%s" % (self.number, self.stage)


ROWS = [Row(n, line) for n, line in enumerate(ELEMENTS.strip().split("\n"))]


def transitions():
    """(from, must, mustnt, to, why) of each row, as numbers."""
    out = []
    for line in TRANSITIONS.strip().split("\n"):
        start, must, mustnt, end, why = line.split()
        out.append((MODES.index(start), bits(must, FACTS), bits(mustnt, FACTS), MODES.index(end), why))
    return out


def outputs():
    """(mode or -1, must, mustnt, outputs) of each row, as numbers."""
    out = []
    for line in OUTPUT_ROWS.strip().split("\n"):
        mode, must, mustnt, on = line.split()
        at = -1 if mode == "any" else MODES.index(mode)
        out.append((at, bits(must, FACTS), bits(mustnt, FACTS), bits(on, OUTPUTS)))
    return out
