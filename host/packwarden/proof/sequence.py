"""Properties of the whole scan: what every mode, every input and every settings within bounds must keep to."""

from __future__ import annotations

from typing import Any, Callable

import z3

from packwarden.proof.model import LONGEST, TICKS, Scan
from packwarden.proof.values import as_bool, bits, number
from warden import elements, journal, modes, relay
from warden.modes import BOOT, CHARGE, DRIVE, LOCKOUT, PRECHARGE, REST, SHED

Claims = list[tuple[str, Any]]
DRIVE_PATH = modes.MAIN | modes.PRE | modes.ENABLE
LOOPS = modes.INTERLOCK | modes.ESTOP | modes.CRASH | modes.SERVICE


def on(word: Any, mask: int) -> z3.BoolRef:
    """Some bit of the mask is set."""
    return bits(word) & mask != 0


def all_on(word: Any, mask: int) -> z3.BoolRef:
    """Every bit of the mask is set."""
    return bits(word) & mask == mask


def off(word: Any, mask: int) -> z3.BoolRef:
    """No bit of the mask is set."""
    return bits(word) & mask == 0


def _believed(s: Scan) -> Any:
    return s.after("relay.permissives.bits")


def _begins(s: Scan, mode: int) -> z3.BoolRef:
    """The scan entered this mode."""
    return z3.BoolVal(False) if s.mode == mode else s.is_(mode)


def _trip(s: Scan) -> tuple[Any, Any]:
    """(a staged trip is up, an opening one is)."""
    return number(s.seen["up4"]) > 0, number(s.seen["up5"]) > 0


def _passed(s: Scan) -> Any:
    """Time in the mode, this scan's included, as the relay counts it."""
    spent = s.before("relay.mode_ms") + s.dt
    return z3.If(spent > 100000000, 100000000, spent)


def safe_modes(s: Scan) -> Claims:
    """1.1"""
    limit = number(s.after("relay.board.limit_permille"))
    return [
        ("off in boot, rest and lockout", z3.Implies(z3.Or(s.is_(BOOT), s.is_(REST), s.is_(LOCKOUT)),
                                                     off(s.outputs, modes.POWER))),
        ("no limit but in drive and charge", z3.Implies(z3.Not(z3.Or(s.is_(DRIVE), s.is_(CHARGE))), limit == 0)),
        ("precharge on in precharge alone", on(s.outputs, modes.PRE) == s.is_(PRECHARGE)),
        ("main on in drive and shed alone", on(s.outputs, modes.MAIN) == z3.Or(s.is_(DRIVE), s.is_(SHED))),
        ("enable in drive alone", z3.Implies(on(s.outputs, modes.ENABLE), s.is_(DRIVE))),
        ("what the board gets is what the tables say",
         bits(s.after("relay.sequence.outputs")) & modes.POWER == s.outputs & modes.POWER),
    ]  # fmt: skip


def self_test(s: Scan) -> Claims:
    """1.2"""
    if s.mode != BOOT:
        return [("boot is never gone back to", z3.Not(s.is_(BOOT)))]
    boot_ms = s.before("relay.boot_ms")
    return [
        ("boot ends in rest or lockout", z3.Or(s.is_(BOOT), s.is_(REST), s.is_(LOCKOUT))),
        ("not before boot_ms", z3.Implies(s.is_(REST), _passed(s) >= boot_ms)),
        ("not with a trip", z3.Implies(z3.Or(*_trip(s)), z3.Not(s.is_(REST)))),
        ("it ends", z3.Implies(_passed(s) >= 4 * boot_ms, z3.Not(s.is_(BOOT)))),
    ]


def two_doors(s: Scan) -> Claims:
    """2.1"""
    charger = on(s.outputs, modes.CHARGER)
    return [
        ("charger or drive path", z3.Not(z3.And(charger, on(s.outputs, DRIVE_PATH)))),
        ("charger only behind a main seen open", z3.Implies(charger, z3.Not(s.known_raw(modes.MAINAUX)))),
    ]


def unplugged(s: Scan) -> Claims:
    """2.2"""
    hold = s.before("relay.unplug_hold_ms")
    closes = on(s.outputs & ~bits(s.before("relay.sequence.outputs")), modes.MAIN | modes.PRE)
    return [
        ("not with a plug", z3.Implies(closes, s.known_raw(modes.UNPLUG))),
        ("not so soon after a plug", z3.Implies(closes, s.ghost_after.unplugged_ms >= hold)),
    ]


def flags(s: Scan) -> Claims:
    """2.3 and 5.2: the quantities that are lost permissives are just that."""
    out: Claims = []
    believed = _believed(s)
    for q, bit, name in (
        (elements.Q_PLUG, modes.UNPLUG, "plug"), (elements.Q_NO_ESTOP, modes.ESTOP, "estop"),
        (elements.Q_NO_CRASH, modes.CRASH, "crash"), (elements.Q_NO_SERVICE, modes.SERVICE, "service"),
        (elements.Q_NO_INTERLOCK, modes.INTERLOCK, "interlock"),
    ):  # fmt: skip
        lost = number(s.after("relay.sense.string.%d" % q))
        out.append((name, z3.And((lost >= 1) == off(believed, bit), lost >= 0)))
    return out


def charging(s: Scan) -> Claims:
    """2.4"""
    charger = on(s.outputs, modes.CHARGER)
    return [
        ("with the plug seen and the key off", z3.Implies(charger, off(_believed(s), modes.UNPLUG | modes.KEY))),
        ("begins on a dead link, out of rest, loops closed",
         z3.Implies(_begins(s, CHARGE), z3.And(s.mode == REST, all_on(_believed(s), LOOPS),
                                               s.after("relay.sense.link_mv") < s.before("relay.link_dead_mv")))),
        ("nothing forbids it", z3.Implies(charger, number(s.seen["up3"]) == 0)),
        ("begins with the plug seen, the key off and main seen open",
         z3.Implies(_begins(s, CHARGE), off(_believed(s), modes.UNPLUG | modes.KEY | modes.MAINAUX))),
        ("ends without them, or when forbidden", z3.Implies(s.is_(CHARGE), z3.And(
            off(_believed(s), modes.UNPLUG | modes.KEY | modes.MAINAUX), number(s.seen["up3"]) == 0))),
    ]  # fmt: skip


def starting(s: Scan) -> Claims:
    """2.5"""
    begins = _begins(s, PRECHARGE)
    needs = modes.KEY | modes.START | modes.PEDAL | modes.UNPLUG | LOOPS
    return [
        ("out of rest", z3.Implies(begins, z3.BoolVal(s.mode == REST))),
        ("all that must be closed is", z3.Implies(begins, all_on(_believed(s), needs))),
        ("main seen open", z3.Implies(begins, z3.Not(on(_believed(s), modes.MAINAUX)))),
        ("start pressed anew", z3.Implies(begins, as_bool(s.ghost.start_anew) if s.mode == PRECHARGE else
                                          z3.Or(s.ghost.start_anew, z3.Not(s.known_raw(modes.START))))),
        ("nothing forbids it", z3.Implies(begins, z3.And(number(s.seen["up2"]) == 0, number(s.seen["picked2"]) == 0))),
        ("driving is entered as it was begun", z3.Implies(_begins(s, DRIVE), z3.And(
            s.mode == PRECHARGE, all_on(_believed(s), modes.KEY | modes.UNPLUG | LOOPS),
            number(s.seen["up2"]) == 0))),
    ]  # fmt: skip


def main_after_precharge(s: Scan) -> Claims:
    """3.1"""
    closes = on(s.outputs & ~bits(s.before("relay.sequence.outputs")), modes.MAIN)
    return [
        ("out of precharge alone", z3.Implies(closes, z3.BoolVal(s.mode == PRECHARGE))),
        ("precharged", z3.Implies(closes, on(s.after("relay.word"), modes.PRECHARGED))),
        ("precharge was on", z3.Implies(closes, on(s.before("relay.sequence.outputs"), modes.PRE))),
    ]


def precharge_ends(s: Scan) -> Claims:
    """3.3"""
    if s.mode != PRECHARGE:
        return []
    quantity = number(s.store[("relay.sense.string", elements.Q_PRE_MS)])
    wanted = z3.And(as_bool(s.known_raw(modes.UNPLUG)), on(_believed(s), modes.KEY), number(s.seen["up2"]) == 0)
    return [
        ("48 slow sees the time that it lasts", quantity == _passed(s)),
        ("it ends in drive, rest or lockout", z3.Or(s.is_(PRECHARGE), s.is_(DRIVE), s.is_(REST), s.is_(LOCKOUT))),
        ("nor goes on when it is not wanted", z3.Implies(z3.Not(wanted), z3.Not(s.is_(PRECHARGE)))),
    ]


def opens(s: Scan) -> Claims:
    """4.1"""
    _, opening = _trip(s)
    return [("all off in the same scan", z3.Implies(opening, off(s.outputs, modes.POWER))),
            ("locked out", z3.Implies(opening, s.is_(LOCKOUT)))]  # fmt: skip


def stages(s: Scan) -> Claims:
    """4.2"""
    staged, _ = _trip(s)
    limit = number(s.after("relay.board.limit_permille"))
    out: Claims = [("no enable, no limit", z3.Implies(staged, z3.And(off(s.outputs, modes.ENABLE), limit == 0)))]
    if s.mode in (REST, PRECHARGE, CHARGE):
        out.append(("nothing to stage: off at once", z3.Implies(staged, z3.And(off(s.outputs, modes.POWER),
                                                                              s.is_(LOCKOUT)))))  # fmt: skip
    if s.mode == SHED:
        ma, low = s.after("relay.sense.ma"), s.before("relay.break_ma")
        known = as_bool(s.after("relay.sense.ma_known"))
        little = z3.And(known, -low < ma, ma < low)
        waited = _passed(s) >= s.before("relay.shed_ms")
        out += [
            ("main opens at low current", z3.Implies(little, off(s.outputs, modes.POWER))),
            ("main opens after shed_ms", z3.Implies(waited, off(s.outputs, modes.POWER))),
            ("no enable meanwhile", off(s.outputs, modes.ENABLE)),
        ]
    return out


def drive_lasts(s: Scan) -> Claims:
    """4.3"""
    staged, opening = _trip(s)
    none = z3.Not(z3.Or(staged, opening))
    out: Claims = []
    if s.mode == DRIVE:
        key = on(_believed(s), modes.KEY)
        stays = z3.And(none, key)
        out += [
            ("drive goes on", z3.Implies(stays, z3.And(s.is_(DRIVE), on(s.outputs, modes.MAIN)))),
            ("enabled behind a closed main", z3.Implies(z3.And(stays, on(_believed(s), modes.MAINAUX)),
                                                        on(s.outputs, modes.ENABLE))),
            ("drive ends through shed", z3.Implies(z3.Not(opening), z3.Or(s.is_(DRIVE), s.is_(SHED)))),
            ("enabled behind no other", z3.Implies(on(s.outputs, modes.ENABLE), on(_believed(s), modes.MAINAUX))),
            ("key off ends it", z3.Implies(z3.Not(key), z3.Not(s.is_(DRIVE)))),
        ]  # fmt: skip
    if s.mode == SHED:
        ma, low = s.after("relay.sense.ma"), s.before("relay.break_ma")
        loaded = z3.Or(z3.Not(as_bool(s.after("relay.sense.ma_known"))), ma >= low, ma <= -low)
        early = _passed(s) < s.before("relay.shed_ms")
        out.append(("main does not break a load in haste", z3.Implies(z3.And(loaded, early, z3.Not(opening)),
                                                                      on(s.outputs, modes.MAIN))))  # fmt: skip
    return out


def told(s: Scan) -> Claims:
    """4.4"""
    up = [number(s.seen["up%d" % n]) > 0 for n in range(6)]
    latched = number(s.store[("relay.journal.word", journal.LATCHED)]) != 0
    return [
        ("lamp on an alarm or a trip", z3.Implies(z3.Or(up[0], up[4], up[5]), on(s.outputs, modes.LAMP))),
        ("trip lamp in lockout", z3.Implies(s.is_(LOCKOUT), on(s.outputs, modes.TRIPLAMP))),
        ("buzzer while less is asked for", z3.Implies(z3.And(s.is_(DRIVE), up[1]), on(s.outputs, modes.BUZZER))),
        ("buzzer while a trip sheds", z3.Implies(z3.And(s.is_(SHED), latched), on(s.outputs, modes.BUZZER))),
        ("buzzer as a lockout begins", z3.Implies(_begins(s, LOCKOUT), on(s.outputs, modes.BUZZER))),
        ("fan with the charger", on(s.outputs, modes.CHARGER) == on(s.outputs, modes.FAN)),
        ("no buzzer without a cause", z3.Implies(on(s.outputs, modes.BUZZER), z3.Or(
            z3.And(s.is_(DRIVE), up[1]), z3.And(s.is_(SHED), latched), s.is_(LOCKOUT)))),
        ("the isolation monitor's resistors are its own",
         off(s.after("relay.sequence.outputs"), modes.ISO_POS | modes.ISO_NEG)),
        ("no lamp without a cause", z3.Implies(z3.Not(z3.Or(up[0], up[4], up[5], latched,
            number(s.start[("relay.journal.word", journal.LATCHED)]) != 0)), off(s.outputs, modes.LAMP))),
        ("no trip lamp elsewhere", z3.Implies(on(s.outputs, modes.TRIPLAMP), s.is_(LOCKOUT))),
        ("the buzzer stops", z3.Implies(z3.And(z3.BoolVal(s.mode == LOCKOUT), s.is_(LOCKOUT),
                                               _passed(s) >= s.before("relay.dwell_ms")),
                                        off(s.outputs, modes.BUZZER))),
    ]  # fmt: skip


def less_power(s: Scan) -> Claims:
    """4.5"""
    after = number(s.after("relay.limit_u"))
    derate = number(s.before("relay.derate_u"))
    before = s.before("relay.limit_u")
    sane = z3.And(before >= 0, before <= 1000000)
    less = z3.And(number(s.seen["up1"]) > 0, sane)
    came = _begins(s, DRIVE) if s.mode != DRIVE else z3.BoolVal(False)
    came = z3.Or(came, _begins(s, CHARGE) if s.mode != CHARGE else z3.BoolVal(False))
    bound = z3.If(before > derate, before, derate)
    return [
        ("between nothing and all", z3.Implies(sane, z3.And(after >= 0, after <= 1000000))),
        ("a derate never lifts the limit above derate_permille", z3.Implies(z3.And(less, z3.Not(came)),
                                                                            after <= bound)),
        ("what the board gets", number(s.after("relay.board.limit_permille")) == after / 1000),
    ]  # fmt: skip


def latches(s: Scan) -> Claims:
    """7.1"""
    was = s.start[("relay.journal.word", journal.LATCHED)]
    now = number(s.store[("relay.journal.word", journal.LATCHED)])
    dirty = as_bool(s.after("relay.journal.dirty"))
    return [
        ("latched in the scan it operates", z3.Implies(s.tripped, now == 1)),
        ("and to be kept", z3.Implies(z3.And(s.tripped, was == 0), dirty)),
        ("a lockout is latched", z3.Implies(s.is_(LOCKOUT), now == 1)),
    ]


def leaves_lockout(s: Scan) -> Claims:
    """7.2"""
    was = s.start[("relay.journal.word", journal.LATCHED)]
    now = number(s.store[("relay.journal.word", journal.LATCHED)])
    out: Claims = [("the latch is let go there alone", z3.Implies(z3.And(was == 1, now == 0),
                                                                 z3.And(s.mode == LOCKOUT, s.is_(REST))))]
    if s.mode == LOCKOUT:
        leaves = z3.Not(s.is_(LOCKOUT))
        reset = z3.And(on(_believed(s), modes.RESET), z3.Or(s.ghost.pressed_anew, z3.Not(s.known_raw(modes.RESET))))
        asked = as_bool(s.before("relay.asked"))
        free = z3.And(off(_believed(s), modes.KEY), number(s.seen["live"]) == 0, z3.Not(z3.Or(*_trip(s))),
                      s.before("relay.clear_ms") >= s.before("relay.clear_hold_ms"),
                      on(s.after("relay.sense.string_known"), 1 << elements.Q_ISO),
                      _passed(s) >= s.before("relay.dwell_ms"))  # fmt: skip
        pressed = z3.And(on(_believed(s), modes.RESET), as_bool(s.before("relay.released")))
        out += [
            ("a press of reset is enough then", z3.Implies(z3.And(free, pressed), s.is_(REST))),
            ("so is the code", z3.Implies(z3.And(free, asked), s.is_(REST))),
            ("to rest", z3.Implies(leaves, s.is_(REST))),
            ("on a new press or a code", z3.Implies(leaves, z3.Or(reset, asked))),
            ("with the key off", z3.Implies(leaves, off(_believed(s), modes.KEY))),
            ("with no trip up", z3.Implies(leaves, z3.Not(z3.Or(*_trip(s))))),
            ("with every cause gone for clear_ms", z3.Implies(leaves, z3.And(
                number(s.seen["live"]) == 0, s.ghost_after.quiet_ms >= s.before("relay.clear_hold_ms")))),
            ("after min_dwell_ms", z3.Implies(leaves, _passed(s) >= s.before("relay.dwell_ms"))),
            ("the latch goes with it", z3.Implies(leaves, now == 0)),
            ("isolation known", z3.Implies(leaves, z3.Or(on(s.after("relay.sense.string_known"), 1 << elements.Q_ISO),
                                                         z3.Not(as_bool(s.before("relay.iso_on")))))),
        ]  # fmt: skip
    return out


def powers_up_latched(s: Scan) -> Claims:
    """7.3"""
    was = s.start[("relay.journal.word", journal.LATCHED)]
    if s.mode != BOOT:
        return []
    return [("boot with a latch ends in lockout", z3.Implies(was == 1, z3.Or(s.is_(BOOT), s.is_(LOCKOUT)))),
            ("and keeps it", z3.Implies(was == 1, number(s.store[("relay.journal.word", journal.LATCHED)]) == 1))]


def time_wraps(s: Scan) -> Claims:
    """8.1"""
    last, nominal = s.before("relay.last_ms"), s.before("relay.board.scan_ms")
    gone = (s.now - last + TICKS + 1) % (TICKS + 1)
    wrong = z3.Or(gone >= (TICKS + 1) // 2, 2 * gone < nominal)
    counts = z3.If(wrong, nominal, z3.If(gone > LONGEST, LONGEST, gone))
    return [
        ("exact across the wrap", z3.Implies(last >= 0, s.dt == counts)),
        ("the first scan takes no time", z3.Implies(last < 0, s.dt == 0)),
        ("and is remembered", s.after("relay.last_ms") == s.now),
        ("time in the mode", z3.Implies(s.is_(s.mode), number(s.after("relay.mode_ms")) == _passed(s))),
        ("a new mode begins at nothing", z3.Implies(z3.Not(s.is_(s.mode)), number(s.after("relay.mode_ms")) == 0)),
    ]


def late(s: Scan) -> Claims:
    """8.2"""
    last, nominal = s.before("relay.last_ms"), s.before("relay.board.scan_ms")
    gone = (s.now - last + TICKS + 1) % (TICKS + 1)
    slack = relay.LATE_SLACK_MS
    by = z3.If(gone >= (TICKS + 1) // 2, LONGEST, z3.If(2 * gone < nominal, nominal, gone - nominal))
    is_late = z3.And(last >= 0, z3.Not(s.before("relay.served")), by > slack)
    score, was = number(s.after("relay.late_score")), s.before("relay.late_score")
    most = s.before("relay.late_most")
    seen = number(s.after("relay.sense.string.%d" % elements.Q_LATE))
    return [
        ("counted", z3.Implies(is_late, number(s.after("relay.late_n")) == s.before("relay.late_n") + 1)),
        ("scored", z3.Implies(is_late, score == z3.If(was + by > most, most, was + by))),
        ("the element sees the score", z3.Implies(last >= 0, seen == score)),
        ("no score without lateness", z3.Implies(z3.Not(is_late), score <= was)),
    ]  # fmt: skip


def wire_adds_nothing(s: Scan) -> Claims:
    """9.1"""
    asked = s.before("relay.asked")
    with_it = z3.substitute(s.outputs, (asked, z3.BoolVal(True)))
    without = z3.substitute(s.outputs, (asked, z3.BoolVal(False)))
    return [("no power output on that would be off", with_it & modes.POWER & ~without == 0),
            ("a question asked once is asked once", z3.Not(as_bool(s.after("relay.asked"))))]  # fmt: skip


def wire_reset(s: Scan) -> Claims:
    """9.2"""
    asked = s.before("relay.asked")
    if s.mode == LOCKOUT:
        return [("no more than the button", z3.Implies(z3.And(asked, z3.Not(s.is_(LOCKOUT))), z3.And(
            s.is_(REST), off(_believed(s), modes.KEY), number(s.seen["live"]) == 0)))]  # fmt: skip
    now = s.mode_after
    if isinstance(now, int):
        return []
    with_it = z3.substitute(now, (asked, z3.BoolVal(True)))
    without = z3.substitute(now, (asked, z3.BoolVal(False)))
    return [("changes nothing out of lockout", with_it == without)]


def dwells(s: Scan) -> Claims:
    """10.2"""
    closes = z3.Or(_begins(s, PRECHARGE), _begins(s, CHARGE))
    return [("min_dwell_ms in rest before a closing", z3.Implies(closes, z3.And(
        s.mode == REST, _passed(s) >= s.before("relay.dwell_ms"))))]  # fmt: skip


def closings(s: Scan) -> Claims:
    """10.3"""
    before, after = s.before("relay.closing_ms"), number(s.after("relay.closing_ms"))
    closes = z3.Or(_begins(s, PRECHARGE), _begins(s, CHARGE))
    return [
        ("a closing spends its share", z3.Implies(closes, z3.And(after >= 0, after <= before + s.dt - s.op_ms))),
        ("it grows back with time alone", after <= before + s.dt),
        ("and not without end", z3.Implies(before < s.before("relay.window_ms"),
                                           after <= s.before("relay.window_ms") + LONGEST)),
    ]  # fmt: skip


def keeps_on(s: Scan) -> Claims:
    """The invariant that all of these rest on."""
    return list(s.invariant(True))


Check = Callable[[Scan], Claims]
