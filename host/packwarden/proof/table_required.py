"""What a pack like the demo packs needs watched: the protections that the element table has to give, and how soon.

Written from the hazards (docs/safety.md) and from the budgets of docs/protection.md, not from the table.  A pickup is
asked for as a range: a protection whose pickup lies outside it does not protect a 12 V block.  Ranges are for such
blocks and common practice, no source, but for isolation (UN R100: 100 ohm/V).  Each row names a fault that shows it on
the bench.

row, name, sees, side, must ask for, in modes, pickup from, to, budget ms, switch, shown by faults
(course kind@place=size +ms more that the fault itself takes)
"""

from __future__ import annotations

from typing import NamedTuple

LOADED = "precharge drive shed"
POWERED = LOADED + " charge"
AWAKE = "rest " + POWERED + " lockout"
BARS = "alarm derate nodrive nocharge"


class Required(NamedTuple):
    """One protection.  `switch`: the setting that may switch it off; empty when nothing may."""

    row: str  # number and stage by which the bench knows it
    name: str
    watches: str
    quantity: str
    side: str
    asks: str
    modes: str
    low: int
    high: int
    budget_ms: int
    switch: str
    shown: str  # what shows it on the bench; empty when nothing there can


def _rows(group: str, table: str) -> list[Required]:
    out = []
    for line in table.strip().splitlines():
        cells = [cell.strip() for cell in line.split("|")]
        row, name, quantity, side, asks, where, low, high, budget, switch, shown = cells
        asks = BARS if asks == "bars" else asks
        where = " ".join({"loaded": LOADED, "powered": POWERED, "awake": AWAKE}.get(w, w) for w in where.split())
        limits = int(low), int(high), int(budget)
        out.append(Required(row, name, group, quantity, side, asks, where, *limits, switch, shown))
    return out


MODULE = _rows("module", """
27/floor       | module about to reverse          | raw   | under | staged        | loaded lockout  | 6000 | 9500  | 500   | e27_on | drive module_empty@3=0
27/derate      | module low under load, warn      | comp  | under | alarm derate  | loaded          | 9000 | 11500 | 1000  | e27_on | drive cell_shorted@3=2.6
27/time        | module low under load            | comp  | under | staged        | loaded lockout  | 9000 | 11500 | 5000  | e27_on | drive cell_shorted@3=2.6
27/rest        | module low at rest               | mv    | under | alarm nodrive | rest charge     | 9000 | 11500 | 1000  | e27_on | rest cell_shorted@3=3 ; charge cell_shorted@3=4
59/derate      | module high, warn                | hot   | over  | alarm derate  | drive charge    | 14000 | 15500 | 2000  | e59_on | full charger_stuck=150 +8000
59/time        | module high                      | hot   | over  | staged        | powered lockout | 14000 | 15500 | 10500 | e59_on | full charger_stuck=60 +15000
59/high        | module far too high              | raw   | over  | staged        | powered lockout | 15000 | 18000 | 1000  | e59_on | full charger_stuck=200 +15000
60/alarm       | module out of balance            | away  | over  | alarm         | awake           | 200  | 1000  | 5000  | e60_on | rest cell_shorted@3=1.5 ; drive cell_shorted@3=1.5 ; charge cell_shorted@3=1.5
M1/alarm       | open lead, warn                  | open  | over  | bars          | awake           | 1    | 1     | 1000  |        | rest lead_open@3 ; drive lead_open@3 ; charge lead_open@3
M1/trip        | open lead                        | open  | over  | staged        | awake           | 1    | 1     | 10000 |        | rest lead_open@3 ; drive lead_open@3 ; charge lead_open@3
M2/alarm       | impossible reading, warn         | range | over  | bars          | awake           | 1    | 1     | 1000  |        | rest lead_swapped@3 ; drive lead_swapped@3 ; charge lead_swapped@3
M2/trip        | impossible reading               | range | over  | staged        | awake           | 1    | 1     | 10000 |        | rest lead_swapped@3 ; drive lead_swapped@3 ; charge lead_swapped@3
M3/alarm       | frozen reading, warn             | stuck | over  | bars          | awake           | 1    | 1     | 1000  |        | cycle channel_frozen@3 +60000
M3/trip        | frozen reading                   | stuck | over  | staged        | awake           | 1    | 1     | 10000 |        | cycle channel_frozen@3 +60000
""")  # fmt: skip

BOX = _rows("box", """
49/alarm       | box warm                         | temp  | over  | alarm derate  | awake           | 350  | 500   | 5000  | e49_on | rest box_hot@1=50 +300 ; drive box_hot@1=50 +300 ; charge box_hot@1=50 +300
49/trip        | box hot                          | temp  | over  | staged        | awake           | 450  | 650   | 5000  | e49_on | rest box_hot@1=70 +300 ; drive box_hot@1=70 +300 ; charge box_hot@1=70 +300
49C/cold       | box too cold to charge           | temp  | under | nocharge      | rest charge     | -50  | 50    | 5000  | e49_on | rest box_cold@1=-10 +300 ; charge box_cold@1=-10 +300
M5/alarm       | reference drifted, warn          | ref   | over  | bars          | awake           | 5    | 50    | 1000  |        | rest reference_drift@1=6 ; drive reference_drift@1=6 ; charge reference_drift@1=6
M5/trip        | reference drifted                | ref   | over  | staged        | awake           | 5    | 50    | 10000 |        | rest reference_drift@1=6 ; drive reference_drift@1=6 ; charge reference_drift@1=6
M6/alarm       | head silent, warn                | age   | over  | bars          | awake           | 100  | 800   | 1000  |        | rest head_silent@1 ; drive head_silent@1 ; charge head_silent@1
M6/trip        | head silent                      | age   | over  | staged        | awake           | 100  | 800   | 10500 |        | rest head_silent@1 ; drive head_silent@1 ; charge head_silent@1
M8/alarm       | probe open or shorted, warn      | probe | over  | alarm derate nocharge | awake   | 1    | 1     | 1000  |        | rest probe_open@1 ; drive probe_open@1 ; charge probe_open@1
M8/trip        | probe open or shorted            | probe | over  | staged        | awake           | 1    | 1     | 10000 |        | rest probe_open@1 ; drive probe_open@1 ; charge probe_open@1
""")  # fmt: skip

STRING = _rows("string", """
76/inst        | current beyond anything          | ma    | over  | open          | powered lockout | 100000 | 500000 | 30   |            | drive current_saturated=480
76/derate      | current too high too long, warn  | i2t   | over  | alarm derate  | powered         | 500  | 900   | 100   | e76_time_on | drive current_saturated=445 +9000
76/time        | current too high too long        | i2t   | over  | staged        | powered lockout | 900  | 1000  | 100   | e76_time_on | drive current_saturated=445 +9000
27X/alarm      | aux low                          | aux   | under | alarm         | awake           | 11000 | 12200 | 2500 | e27x_on    | rest aux_sag=1.5 ; drive aux_sag=2.5
27X/block      | aux too low to start             | aux   | under | nodrive nocharge | rest         | 8000 | 10500 | 200   | e27x_on    | rest aux_sag=4.5
27X/trip       | aux about to let go              | aux   | under | staged        | powered lockout | 8000 | 10500 | 200   | e27x_on    | drive aux_sag=5.5
64/alarm       | isolation poor                   | iso   | under | alarm         | awake           | 200  | 1000  | 1100  | e64_on     | rest leak_negative=30 +3000 ; drive leak_negative=30 +3000
64/block       | isolation lost, driving          | iso   | under | bars          | rest drive shed | 100  | 200   | 1100  | e64_on     | rest leak_negative=5 +3000 ; drive leak_negative=5 +3000
64/charge      | isolation lost, plugged in       | iso   | under | open          | charge lockout  | 100  | 200   | 1100  | e64_on     | charge leak_negative=5 +3000
48/slow        | precharge too slow               | pre_ms | over | open          | precharge       | 300  | 2000  | 50    |            | start link_gain=-10 +13000
48/fast        | precharge too fast               | pre_fast | over | open        | precharge       | 1    | 1     | 50    |            | start capacitor_lost=0.001 +13000
48/shape       | precharge curve wrong            | pre_shape | over | open       | precharge       | 1    | 1     | 50    |            | start link_short=1 +13000
72/close       | main did not close               | not_closed | over | staged    | drive shed      | 1    | 1     | 400   |            | drive main_stuck_open ; start main_stuck_open +13000
72/open        | main welded                      | not_open | over | open        | rest precharge charge lockout | 1 | 1 | 1000 |          | rest main_welded ; rest aux_contact_closed
72/chatter     | main chatters                    | chatter | over | staged       | drive shed      | 3    | 12    | 100   |            | drive main_chatter=20 +200
69/estop       | emergency stop                   | no_estop | over | open        | powered lockout | 1    | 1     | 30    |            | drive estop ; charge estop
69/crash       | crash switch                     | no_crash | over | open        | powered lockout | 1    | 1     | 50    |            | drive crash ; charge crash
69/service     | service disconnect               | no_service | over | open      | powered lockout | 1    | 1     | 50    |            | drive service_pulled ; charge service_pulled
69/interlock   | interlock lost                   | no_interlock | over | staged  | powered lockout | 1    | 1     | 100   |            | drive interlock_open ; charge interlock_open
69/estop_open  | emergency stop: no start         | no_estop | over | nodrive nocharge | rest       | 1    | 1     | 100   |            | rest estop
69/crash_open  | crash switch: no start           | no_crash | over | nodrive nocharge | rest       | 1    | 1     | 100   |            | rest crash
69/service_open | service disconnect: no start     | no_service | over | nodrive nocharge | rest     | 1    | 1     | 100   |            | rest service_pulled
69/cover_open  | interlock: no start              | no_interlock | over | nodrive nocharge | rest   | 1    | 1     | 100   |            | rest interlock_open
69/plug        | plug while driving               | plug  | over  | staged        | loaded          | 1    | 1     | 100   |            | drive plug_seen
M4/alarm       | modules do not add up, warn      | sum   | over  | bars          | awake           | 1000 | 8000  | 1000  |            | rest string_gain=-8 ; drive string_gain=-8 ; charge string_gain=-8
M4/trip        | modules do not add up            | sum   | over  | staged        | awake           | 1000 | 8000  | 10000 |            | rest string_gain=-8 ; drive string_gain=-8 ; charge string_gain=-8
M7/alarm       | current sensor at its end, warn  | sensor | over | bars          | awake           | 1    | 1     | 1000  |            | rest current_saturated=520
M7/trip        | current sensor at its end        | sensor | over | staged        | awake           | 1    | 1     | 10000 |            | rest current_saturated=520
M7/offset      | current at rest                  | rest_ma | over | alarm nodrive nocharge | rest lockout | 1000 | 10000 | 1000 |      | rest current_offset=15
M7/dead        | current sensor dead, warn        | dead_ma | over | bars         | rest drive shed | 2    | 6     | 50    |            | cycle current_dead +200000
M7/deadtrip    | current sensor dead              | dead_ma | over | staged       | drive shed      | 2    | 6     | 10000 |            | cycle current_dead +200000
M9/alarm       | string or link tap open, warn    | taps  | over  | bars          | awake           | 1    | 1     | 1000  |            | rest string_tap_open ; drive string_tap_open ; charge string_tap_open
M9/trip        | string or link tap open          | taps  | over  | staged        | awake           | 1    | 1     | 10000 |            | rest string_tap_open ; drive string_tap_open ; charge string_tap_open
M10/alarm      | scans late                       | late  | over  | alarm         | awake           | 5    | 100   | 50    |            | rest scan_late=100 +150 ; drive scan_late=100 +150
M10/trip       | scans far too late               | late  | over  | staged        | powered         | 100  | 1000  | 100   |            | drive scans_slow=400 +1000
M11/memory     | memory bad                       | memory | over | open          | awake boot      | 1    | 1     | 50    |            | again settings_bit=300
M12/button     | button stuck                     | button | over | alarm nodrive nocharge | awake  | 1    | 1     | 50    |            | long start_stuck +31000
74/off         | an element is off                | off   | over  | alarm         | awake           | 1    | 1     | 50    |            | off
""")  # fmt: skip

REQUIRED = MODULE + BOX + STRING
