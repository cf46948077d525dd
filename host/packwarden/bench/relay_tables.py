"""The relay's own tables as Markdown, for docs/protection.md: read from the firmware, never copied by hand."""

from __future__ import annotations

from typing import Any, List

from packwarden import paths

paths.use_firmware()

from warden import elements, modes, permissives, sequence, settings  # noqa: E402
from warden.table_elements import QUANTITIES, WATCHED  # noqa: E402


def names(word: int, table: Any) -> str:
    """The names of the bits set in `word`."""
    return " ".join("`%s`" % name for name, bit, _ in table if word & bit) or "-"


def mode_names(mask: int) -> str:
    """The modes in a mask."""
    return " ".join(mode for m, mode in enumerate(modes.MODES) if mask >> m & 1)


# -- short names of rows, by which the safety trace speaks of them ---------------------------------------------------


def element_names() -> List[str]:
    """number/stage of each row of the element table."""
    return ["%s/%s" % (row[0], row[1]) for row in elements.TABLE]


def permissive_names() -> List[str]:
    """The name of each row of the permissive table."""
    return [row[1] for row in permissives.TABLE]


def transition_names() -> List[str]:
    """from>to:why of each row of the transition table; +what it needs, where that alone tells two rows apart."""
    plain = ["%s>%s:%s" % (modes.MODES[row[0]], modes.MODES[row[3]], row[4]) for row in sequence.TRANSITIONS]
    out = []
    for name, row in zip(plain, sequence.TRANSITIONS):
        needs = [bit_name for bit_name, bit, _ in modes.BITS if row[1] & bit]
        out.append(name if plain.count(name) == 1 else "+".join([name, *needs]))
    return out


def output_names() -> List[str]:
    """mode:outputs of each row of the output table."""
    out = []
    for mode, _must, _mustnt, on in sequence.OUTPUTS:
        where = "any" if mode == sequence.ANY else modes.MODES[mode]
        out.append("%s:%s" % (where, "+".join(name for name, bit, _ in modes.OUTPUTS if on & bit)))
    return out


# -- the tables as Markdown ------------------------------------------------------------------------------------------


def element_rows() -> str:
    """The element table."""
    out = ["| no. | stage | sees | picks up | releases | delay | asks for | awake in | meaning |", "|" + "---|" * 9]
    for r in elements.TABLE:
        number, stage, watches, quantity, sign, pickup, dropout, delay, action, awake, switch, about = r
        sees = "%s `%s`" % (WATCHED[watches], QUANTITIES[watches].split()[quantity])
        side = ("at or above", "at or below") if sign > 0 else ("at or below", "at or above")
        asks = " ".join(name for name, bit, _ in modes.ACTIONS if action & bit)
        if switch:
            about += " (switch `%s`)" % switch
        cells = [number, stage, sees, "%s %s" % (side[0], _limit(pickup)), "%s %s" % (side[1], _limit(dropout)),
                 _limit(delay), asks, mode_names(awake), about]  # fmt: skip
        out.append("| %s |" % " | ".join(cells))
    return "\n".join(out)


def _limit(value: Any) -> str:
    return "%d" % value if isinstance(value, int) else "`%s`" % value


def permissive_rows() -> str:
    """The permissive table."""
    meanings = {name: about for name, _, about in modes.BITS}
    out = ["| input | lost after | back after | meaning |", "|---|---|---|---|"]
    for _bit, name, lost, made in permissives.TABLE:
        out.append("| `%s` | %s ms | %s ms | %s |" % (name, _limit(lost), _limit(made), meanings[name]))
    return "\n".join(out)


def fact_rows() -> str:
    """The bits that the transition table reads besides inputs."""
    inputs = {row[1] for row in permissives.TABLE}
    out = ["| fact | meaning |", "|---|---|"]
    out += ["| `%s` | %s |" % (name, about) for name, _, about in modes.BITS if name not in inputs]
    return "\n".join(out)


def transition_rows() -> str:
    """The transition table, in the order in which it is tried."""
    out = ["| from | all of | none of | to | why |", "|---|---|---|---|---|"]
    for start, must, mustnt, end, why in sequence.TRANSITIONS:
        cells = (modes.MODES[start], names(must, modes.BITS), names(mustnt, modes.BITS), modes.MODES[end], why)
        out.append("| %s | %s | %s | %s | %s |" % cells)
    return "\n".join(out)


def output_rows() -> str:
    """The output table."""
    out = ["| mode | all of | none of | on |", "|---|---|---|---|"]
    for mode, must, mustnt, on in sequence.OUTPUTS:
        where = "any" if mode == sequence.ANY else modes.MODES[mode]
        cells = (where, names(must, modes.BITS), names(mustnt, modes.BITS), names(on, modes.OUTPUTS))
        out.append("| %s | %s | %s | %s |" % cells)
    return "\n".join(out)


def setting_rows() -> str:
    """The settings table, and the pairs that keep their order."""
    out = ["| setting | unit | default | lowest | highest | meaning |", "|---|---|---|---|---|---|"]
    for name, count, unit, default, low, high, about in settings.TABLE:
        shown = "`%s`" % name if count == 1 else "`%s.0` .. `.%d`" % (name, count - 1)
        first = ", ".join(map(str, default)) if isinstance(default, tuple) else str(default)
        out.append("| %s | %s | %s | %d | %d | %s |" % (shown, unit, first, low, high, about))
    out += ["", "Pairs that must keep their order:", "", "| low | high | at least apart | why |", "|---|---|---|---|"]
    out += ["| `%s` | `%s` | %d | %s |" % tuple(row) for row in settings.ORDER]
    return "\n".join(out)


def whole() -> str:
    """Everything that is made."""
    parts: List[str] = []
    for title, made in (
        ("Elements", element_rows), ("Permissives", permissive_rows), ("Facts", fact_rows),
        ("Transitions", transition_rows), ("Outputs", output_rows), ("Settings", setting_rows),
    ):  # fmt: skip
        parts += ["## " + title, made()]
    return "\n\n".join(parts)
