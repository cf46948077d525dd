"""Histories that aim at one rule each: (setup, acts, rules that they must exercise).

They keep the default profile from proving nothing, and are what the seeded defects are shown to.
"""

HISTORIES = {
    "a day": ({}, [
        ["wait", 8000], ["start"], ["load", 120000, 2000], ["load", -60000, 1000], ["load", 0, 100], ["stop"],
        ["plug"], ["wait", 2000], ["unplug"], ["start"], ["stop"],
    ], "0.1 0.2 1.1 1.3 1.4 2.1 2.2 2.4 2.5 3.1 4.1 4.3 9.3 10.2"),
    "power on": ({"wrap_in_ms": 5500}, [
        ["start"], ["load", 60000, 2000], ["power", 1500], ["start"], ["input", "key", 0, 500],
    ], "8.4 1.1"),
    "stop under load": ({}, [
        ["start"], ["thing", "deaf", True], ["load", 60000], ["input", "key", 0, 500], ["wait", 2000], ["start"],
        ["input", "interlock", 0, 500],
    ], "4.1 4.2 4.3 69.3"),
    "loops in drive": ({}, [
        ["start"], ["load", 60000], ["input", "estop", 0, 200], ["recover"], ["start"], ["load", 60000],
        ["input", "crash", 0, 200], ["recover"], ["start"], ["load", 60000], ["input", "service", 0, 200],
        ["recover"], ["start"], ["load", 60000], ["thing", "deaf", True], ["input", "interlock", 0, 200], ["recover"],
        ["start"], ["load", 60000], ["input", "unplug", 0, 200], ["recover"],
    ], "69.1 69.2 69.3 2.3 7.1 4.6"),
    "loops on charge": ({}, [
        ["plug"], ["input", "estop", 0, 200], ["recover"], ["plug"], ["input", "crash", 0, 200], ["recover"],
        ["plug"], ["input", "interlock", 0, 200], ["recover"], ["plug"], ["unplug"],
    ], "69.1 69.2 69.3 2.5"),
    "bounces": ({}, [
        ["start"], ["load", 60000], ["bounce", "unplug", [1, 1, 2, 1]], ["bounce", "crash", [1, 2, 1, 3]],
        ["bounce", "interlock", [2, 2, 1, 1]], ["bounce", "estop", [1, 1, 4]], ["recover"],
        ["bounce", "start", [1, 2, 3, 2]], ["bounce", "key", [1, 2, 3, 2]],
    ], "69.1"),
    "plug then start": ({}, [
        ["plug", 1000], ["input", "unplug", 1, 300], ["input", "key", 1, 300], ["input", "start", 1, 4500],
        ["input", "start", 0, 100], ["input", "start", 1, 2500], ["stop"], ["input", "unplug", 0, 400],
        ["input", "unplug", 1, 10], ["input", "key", 1, 10], ["input", "start", 1, 3600],
    ], "2.2"),
    "plug at once": ({}, [
        ["start"], ["stop"], ["input", "unplug", 0, 5000], ["wait", 5000],
    ], "2.4"),
    "start switch welded": ({}, [
        ["input", "start", 1, 1500], ["input", "key", 1, 5000], ["input", "start", 0, 200], ["start"], ["stop"],
        ["input", "start", 1, 32000], ["input", "key", 1, 1000], ["bounce", "start", [5, 60]], ["recover"],
    ], "M12.1"),
    "reset held": ({}, [
        ["start"], ["input", "reset", 1, 1500], ["input", "estop", 0, 100], ["input", "key", 0, 100],
        ["input", "estop", 1, 5000], ["recover"], ["input", "reset", 1, 1200], ["start"], ["load", 30000],
        ["input", "estop", 0, 100], ["heal"], ["wait", 1000], ["input", "reset", 1, 100], ["input", "reset", 0, 500],
        ["input", "key", 1, 400], ["input", "reset", 1, 3000], ["input", "reset", 0, 200], ["input", "key", 0, 400],
        ["input", "estop", 0, 100], ["input", "reset", 1, 2500], ["input", "reset", 0, 100],
        ["input", "estop", 1, 500], ["reset", 1300], ["wait", 2000], ["reset", 1300],
    ], "7.1"),
    "lockout and power": ({}, [
        ["start"], ["load", 60000], ["cell", 6, 6000, 5000, 800], ["power", 2000], ["power", 300], ["power", 2000],
        ["trips"], ["heal"], ["power", 3000], ["reset", 1300], ["power", 2000], ["trips"],
    ], "5.1 7.1 7.2 7.3"),
    "power cut at the trip": ({}, [
        ["start"], ["load", 60000], ["input", "estop", 0, 40], ["power", 10], ["power", 2000], ["recover"], ["start"],
        ["thing", "deaf", True], ["load", 60000], ["cell", 2, 6000, 5000, 360], ["power", 2000], ["recover"],
    ], "7.2"),
    "floor under load": ({}, [
        ["start"], ["load", 300000, 1000], ["cells", 12650, 14000, 500], ["recover"], ["start"],
        ["load", 300000, 1000], ["cell", 5, 8900, 5000, 1500], ["recover"], ["start"], ["load", 60000],
        ["cell", 0, -2500, 5000, 1000], ["recover"], ["start"], ["load", 60000], ["cell", 11, 300, 5000, 1000],
        ["recover"], ["start"], ["load", 60000], ["cell", 5, 200, 5000, 1000],
    ], "5.1"),
    "sag": ({"rcomp_uohm": 5000}, [
        ["start"], ["load", 300000, 500], ["cells", 12650, 8000, 8000], ["load", 0, 500], ["load", 300000, 6000],
        ["cells", 12650, 5000, 100], ["pulse", 200000, 700, 8], ["load", 0], ["cells", 12000, 5000, 100],
        ["pulse", 300000, 300, 8], ["stop"],
    ], "5.3"),
    "flat by time": ({}, [
        ["start"], ["load", 20000], ["cell", 8, 9700, 5000, 5200], ["trips"], ["recover"], ["start"], ["load", 20000],
        ["cell", 8, 9700, 5000, 2000], ["cell", 8, 10800, 5000, 2000], ["pulse", 150000, 400, 6],
        ["cell", 8, 9000, 5000, 100], ["pulse", 60000, 250, 14], ["recover"],
    ], "5.2 10.4 4.4"),
    "flat at rest": ({}, [
        ["cell", 3, 9700, 5000, 3000], ["start"], ["wait", 500], ["cell", 3, 10900, 5000, 2000], ["start"],
        ["cell", 3, 12600, 5000, 1500], ["start"], ["stop"],
    ], "5.4 10.4 60.1"),
    "leads": ({}, [
        ["start"], ["load", 40000], ["lead", 6, "open", 10500], ["trips"], ["heal"], ["recover"], ["start"],
        ["load", 40000], ["lead", 1, "swap", 10500], ["recover"], ["start"], ["load", 40000],
        ["lead", 0, "open", 10500], ["recover"], ["lead", 4, "open", 2000], ["start"], ["wait", 6000], ["recover"],
        ["lead", 8, "short", 10500], ["recover"], ["lead", 3, "low", 10500], ["recover"],
    ], "6.1 6.2 6.3 4.4"),
    "frozen channel": ({}, [
        ["start"], ["load", 10000], ["lead", 6, "frozen", 500], ["load", 120000, 2000], ["load", 10000, 10500],
        ["recover"],
    ], "6.1 6.2"),
    "heads": ({}, [
        ["start"], ["load", 60000], ["head", 1, 1, 11000], ["recover"], ["start"], ["load", 60000],
        ["cell", 6, 7000, 5000, 150], ["head", 1, 1, 800], ["recover"], ["head", 0, 1, 2000], ["start"], ["plug"],
        ["recover"],
    ], "6.1 6.2 6.3"),
    "probe, reference, sum": ({}, [
        ["start"], ["load", 20000], ["probe", 0, "open", 10500], ["recover"], ["probe", 1, "short", 2000], ["plug"],
        ["recover"], ["start"], ["ref", 0, -80, 10500], ["recover"], ["ref", 1, 40, 2000], ["start"],
        ["ref", 1, 11, 2000], ["recover"], ["start"], ["thing", "string_off_mv", 6500, 10500], ["recover"],
        ["thing", "string_off_mv", -7000, 2000], ["start"], ["thing", "string_off_mv", -3300, 2000], ["recover"],
    ], "6.1 6.2 6.3 10.4"),
    "current sensor": ({}, [
        ["start"], ["load", 20000], ["thing", "sensor", "low", 10500], ["recover"], ["thing", "sensor", "high", 2000],
        ["start"], ["recover"], ["thing", "sensor", 9000, 2000], ["start"], ["recover"], ["start"], ["load", 100000],
        ["thing", "sensor", "dead", 3000], ["pulse", 150000, 800, 4], ["recover"],
    ], "6.1 6.2 6.3"),
    "overcurrent": ({}, [
        ["start"], ["load", 460000], ["recover"], ["start"], ["load", -470000], ["recover"], ["start"],
        ["load", 410000, 11500], ["recover"],
    ], "76.1 76.2"),
    "hills": ({}, [
        ["start"], ["load", 440000, 2000], ["load", 300000, 3500], ["load", 440000, 2000], ["load", 300000, 3500],
        ["load", 440000, 2000], ["load", 300000, 3500], ["load", 440000, 2000], ["load", 0, 1000], ["stop"],
    ], "76.3"),
    "precharge": ({}, [
        ["thing", "precharge_ms", 12], ["start"], ["recover"], ["thing", "precharge_ms", 1200], ["start"],
        ["recover"], ["thing", "precharge_ms", 1000000000], ["start"], ["recover"], ["thing", "precharge_ms", 380],
        ["start"], ["recover"], ["thing", "link_fault", "shorted"], ["start"], ["recover"],
        ["thing", "link_fault", "frozen"], ["start"], ["recover"],
    ], "48.1 48.2 3.2"),
    "restarts": ({}, [
        ["start"], ["stop"], ["start"], ["stop"], ["wait", 5000], ["start"], ["stop"], ["start"], ["stop"], ["start"],
        ["stop"], ["start"], ["stop"], ["start"], ["stop"], ["start"], ["stop"], ["start"], ["stop"], ["start"],
        ["stop"], ["start"], ["stop"], ["start"], ["stop"], ["start"], ["stop"], ["start"], ["stop"], ["start"],
        ["stop"],
    ], "10.1"),
    "hurried": ({"min_dwell_ms": 2000, "unplug_hold_ms": 1000, "start_hold_ms": 20, "ops_max": 30}, [
        ["wait", 6000], ["input", "key", 1, 300], ["bounce", "start", [10, 30, 10, 30, 10, 30, 10, 30]],
        ["input", "key", 0, 60], ["input", "key", 1, 250], ["input", "start", 0, 40], ["input", "start", 1, 300],
        ["input", "key", 0, 60], ["input", "key", 1, 250], ["input", "start", 0, 40], ["input", "start", 1, 3000],
        ["plug"], ["input", "unplug", 1, 300], ["input", "unplug", 0, 800], ["input", "unplug", 1, 300],
        ["input", "unplug", 0, 3000],
    ], "10.2"),
    "weld": ({}, [
        ["start"], ["thing", "main_stuck", True], ["stop"], ["wait", 1000], ["trips"], ["recover"], ["start"],
        ["thing", "main_stuck", True], ["thing", "contact_says", False], ["input", "key", 0, 1500], ["recover"],
        ["thing", "main_stuck", True, 1500], ["start"], ["plug"],
    ], "72.1"),
    "does not close": ({}, [
        ["thing", "main_works", False], ["start"], ["recover"], ["start"], ["load", 60000],
        ["thing", "main_works", False, 800], ["recover"], ["start"], ["load", 5000],
        ["thing", "chatter_scans", 4, 2000], ["recover"], ["start"], ["thing", "contact_says", False, 800],
        ["recover"],
    ], "72.2 72.3"),
    "contact closes on charge": ({}, [
        ["plug"], ["thing", "contact_says", True, 300], ["thing", "contact_says", None, 300], ["recover"], ["plug"],
        ["thing", "main_stuck", True, 2000], ["recover"],
    ], "72.1"),
    "aux": ({}, [
        ["start"], ["load", 60000], ["thing", "aux_mv", 8800], ["recover"], ["thing", "aux_mv", 11300, 3000],
        ["thing", "aux_mv", 11800, 3000], ["thing", "aux_mv", 8800, 1000], ["start"],
        ["thing", "aux_mv", 10000, 1000], ["start"], ["plug"], ["recover"],
    ], "27X.1 27X.2 10.4"),
    "heat": ({}, [
        ["start"], ["load", 60000], ["temp", 1, 47, 6000], ["temp", 1, 43, 6000], ["temp", 1, 60, 5500],
        ["temp", 1, 52, 6000], ["reset", 1300], ["recover"], ["plug"], ["temp", 0, -8, 5500], ["temp", 0, 1, 6000],
        ["recover"], ["temp", 1, -8, 6000], ["plug"], ["recover"], ["start"], ["stop"],
    ], "49.1 49.2 10.4 4.4"),
    "high": ({}, [
        ["plug"], ["cell", 4, 17200, 5000, 800], ["wait", 500], ["cell", 4, 16000, 5000, 3000], ["reset", 1300],
        ["recover"], ["plug"], ["cell", 7, 15700, 5000, 11500], ["recover"], ["plug"], ["cell", 2, 14700, 5000, 3000],
        ["recover"],
    ], "59.1 59.2"),
    "high but warm": (
        {"t49_alarm_dc": 700, "t49_trip_dc": 800, "t49_alarm_dropout_dc": 650, "t49_trip_dropout_dc": 750}, [
        ["temp", 0, 55, 500], ["temp", 1, 55, 500], ["plug"], ["cell", 3, 15100, 5000, 11500],
    ], "59.2"),
    "balance": ({}, [
        ["start"], ["load", 20000], ["cell", 9, 11700, 5000, 5500], ["cell", 9, 12140, 5000, 5000],
        ["cell", 9, 12600, 5000, 1500],
    ], "60.1 10.3 10.4"),
    "isolation": ({}, [
        ["plug"], ["thing", "leak", [10, 100000], 7000], ["wait", 2000], ["reset", 1300], ["recover"], ["start"],
        ["thing", "leak", [100000, 9], 7000], ["stop"], ["start"], ["plug"], ["recover"],
        ["thing", "leak", [5, 100000]], ["power", 1000], ["start"],
    ], "64.1 64.2"),
    "isolation in drive comes back": ({}, [
        ["start"], ["load", 30000], ["thing", "leak", [60, 100000], 8000], ["thing", "leak", [85, 100000], 8000],
        ["thing", "leak", None, 8000],
    ], "10.4"),
    "late": ({}, [
        ["start"], ["load", 20000], ["late", 60], ["wait", 1000], ["late", 500], ["wait", 200], ["recover"],
        ["start"], ["load", 20000], ["stall", 45], ["recover"], ["start"], ["load", 20000], ["late", -5000],
        ["recover"], ["plug"], ["late", 2000], ["recover"],
    ], "8.1 8.2 8.3"),
    "commands": ({}, [
        ["say", "who"], ["say", "get name=n_modules"], ["set", "v60_pickup_mv", 650],
        ["say", "get name=v60_pickup_mv"], ["start"], ["load", 20000], ["set", "v60_pickup_mv", 700],
        ["say", "apply digest=0"], ["clear", True], ["bytes", "close 7 name=main*0000"], ["say", "close name=main"],
        ["say", "list what=settings"], ["wait", 4000], ["input", "estop", 0, 200], ["clear", True],
        ["input", "key", 0, 300], ["clear", True], ["clear", False], ["set", "v60_pickup_mv", 700],
        ["input", "estop", 1, 3000], ["clear", False], ["clear", True], ["wait", 500], ["clear", True], ["start"],
    ], "9.1 9.2 9.4 7.1"),
    "damaged settings": ({}, [
        ["wait", 1000], ["flip_bit", 700], ["start"], ["plug"], ["reset", 1300], ["power", 1000], ["recover"],
        ["start"],
    ], "1.2"),
    "damaged journal": ({}, [
        ["start"], ["load", 20000], ["input", "estop", 0, 200], ["heal"], ["flip_bit", -200], ["start"], ["recover"],
        ["start"],
    ], "7.2"),
    "slow limit": ({}, [
        ["start"], ["load", 20000], ["temp", 0, 48, 7000], ["temp", 0, 25, 9000], ["stop"],
    ], "4.5 4.4"),
    "one module": ({"n": 1}, [
        ["wait", 3000], ["start"], ["load", 40000, 1000], ["stop"], ["plug"], ["unplug"], ["start"],
        ["cell", 0, 7000, 5000, 800],
    ], "5.1"),
    "24 modules": ({"n": 24}, [
        ["start"], ["load", 40000, 1000], ["cell", 17, 6000, 5000, 800], ["trips"], ["recover"],
        ["lead", 13, "open", 3000],
    ], "5.1 6.1"),
}  # fmt: skip
