"""Changes of the tables: rows as text and rows as tuples, which tools for code do not reach.

Rows of text: a row left out, doubled, changed places with the next; each column changed the ways that it can be wrong.
Rows of tuples: a row left out, doubled, changed places; every bit that a row names left out, or added to it.
"""

from __future__ import annotations

import ast
import re

# Another word for each kind of column: what a slip of the hand would write.
SIDES = {"over": "under", "under": "over"}
ACTIONS = ("alarm", "derate", "nodrive", "nocharge", "staged", "open")
QUANTITIES = (
    "ma i2t aux iso pre_ms pre_fast pre_shape not_closed not_open chatter no_estop no_crash no_service no_interlock "
    "plug sum sensor rest_ma dead_ma late memory button off taps".split(),
    "temp ref probe age".split(),
    "raw mv comp hot away open range stuck".split(),
)
AWAKE = {
    "loaded": "precharge+drive+shed",
    "powered": "precharge+drive+shed+charge",
    "awake": "rest+precharge+drive+shed+charge+lockout",
}
SWITCHES = ("-", "e27_on", "e59_on", "e60_on", "e76_time_on", "e49_on", "e64_on", "e27x_on")


def of(module: str, source: str) -> list[str]:
    """Every changed source of `module` that holds a table; none for the others."""
    out: list[str] = []
    if module == "table_elements":
        out += _text_rows(source, "ROWS", _element)
    elif module == "table_settings":
        out += _text_rows(source, "ROWS", _setting) + _text_rows(source, "ORDER_ROWS", _pair)
    elif module == "table_fields":
        out += _text_rows(source, "ROWS", lambda cells: [])
    elif module == "sequence":
        out += _tuple_rows(source, "TRANSITIONS") + _tuple_rows(source, "OUTPUTS")
        out += _names(source, ("LOOPS", "DRIVE_LOOPS", "LIMITED"))
    elif module == "permissives":
        out += _tuple_rows(source, "TABLE")
    elif module == "sense":
        out += _ntc(source)
    return out


# -- rows of text ---------------------------------------------------------------------------------------


def _text_rows(source: str, name: str, columns) -> list[str]:  # type: ignore[no-untyped-def]
    lines = source.split("\n")
    first, last = _span(source, name)
    at = [n for n in range(first - 1, last) if "|" in lines[n] and not lines[n].startswith("#")]
    out = []
    for i, n in enumerate(at):
        out.append(_with(lines, n, []))
        out.append(_with(lines, n, [lines[n], lines[n]]))
        if i + 1 < len(at):
            changed = list(lines)
            changed[n], changed[at[i + 1]] = changed[at[i + 1]], changed[n]
            out.append("\n".join(changed))
        left, bar, about = lines[n].partition(" | ")
        for cells in columns(left.split(" ")):
            out.append(_with(lines, n, [" ".join(cells) + bar + about]))
    return out


def _with(lines: list[str], n: int, instead: list[str]) -> str:
    return "\n".join(lines[:n] + instead + lines[n + 1 :])


def _put(cells: list[str], column: int, *texts: str) -> list[list[str]]:
    return [cells[:column] + [text] + cells[column + 1 :] for text in texts if text != cells[column]]


def _number(text: str) -> list[str]:
    return [str(int(text) + 1), str(int(text) - 1)] if text.isdigit() and text != "0" else ["1"]


def _element(cells: list[str]) -> list[list[str]]:
    out = []
    quantities = next(q for q in QUANTITIES if cells[3] in q)
    at = quantities.index(cells[3])
    out += _put(cells, 3, quantities[at - 1], quantities[(at + 1) % len(quantities)])
    out += _put(cells, 4, SIDES[cells[4]])
    swapped = list(cells)
    swapped[5], swapped[6] = cells[6], cells[5]
    out += [swapped, *_put(cells, 6, cells[5]), *_put(cells, 5, cells[6])]
    for column in (5, 6):
        if cells[column].isdigit():
            out += _put(cells, column, *_number(cells[column]))
    out += _put(cells, 7, "0", "10", "m_alarm_ms", "m_trip_ms", "v27_delay_ms", "iso_delay_ms")
    actions = cells[8].split("+")
    for action in ACTIONS:
        rest = [a for a in actions if a != action]
        out += _put(cells, 8, "+".join(rest)) if rest else []
        out += _put(cells, 8, "+".join([*rest, action])) if action not in actions else []
    out += _put(cells, 8, "alarm") + _put(cells, 8, "open") + _put(cells, 8, "staged")
    modes = "+".join(AWAKE.get(word, word) for word in cells[9].split("+")).split("+")
    for mode in "boot rest precharge drive shed charge lockout".split():
        rest = [m for m in modes if m != mode]
        out += _put(cells, 9, "+".join(rest)) if rest and mode in modes else []
        out += _put(cells, 9, "+".join([*modes, mode])) if mode not in modes else []
    at = SWITCHES.index(cells[10])
    return out + _put(cells, 10, SWITCHES[at - 1], SWITCHES[(at + 1) % len(SWITCHES)])


def _setting(cells: list[str]) -> list[list[str]]:
    out = []
    if "," in cells[3]:
        parts = cells[3].split(",")
        out += _put(cells, 3, ",".join([parts[1], parts[0], *parts[2:]]))
    else:
        value = int(cells[3])
        out += _put(cells, 3, *{str(value + 1), str(value - 1), str(value * 2), str(value // 2)})
    for column in (4, 5):
        value = int(cells[column])
        out += _put(cells, column, str(value + 1), str(value - 1))
    swapped = list(cells)
    swapped[4], swapped[5] = cells[5], cells[4]
    return [*out, swapped]


def _pair(cells: list[str]) -> list[list[str]]:
    margin = int(cells[2])
    swapped = [cells[1], cells[0], cells[2]]
    return [*_put(cells, 2, str(margin + 1), str(margin - 1), "0"), swapped]


# -- rows of tuples -------------------------------------------------------------------------------------


def _span(source: str, name: str) -> tuple[int, int]:
    """First and last line of the value that `name` is given at module level."""
    for node in ast.parse(source).body:
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and node.targets[0].id == name:
            return node.value.lineno, node.value.end_lineno or 0
    raise LookupError(name)


def _names(source: str, assigned: tuple[str, ...]) -> list[str]:
    """Each name in these assignments left out."""
    out = []
    lines = source.split("\n")
    for name in assigned:
        n = _span(source, name)[0] - 1
        out += [_with(lines, n, [line]) for line in _without_a_name(lines[n])]
    return out


def _without_a_name(line: str) -> list[str]:
    head, equals, tail = line.partition(" = ")
    out = []
    for found in re.finditer(r"\b[A-Z][A-Z_]+\b", tail):
        left = tail[: found.start()] + "0" + tail[found.end() :]
        out.append(head + equals + left)
    return out


def _tuple_rows(source: str, name: str) -> list[str]:
    lines = source.split("\n")
    first, last = _span(source, name)
    at = [n for n in range(first, last) if lines[n].strip().startswith("(")]
    out = []
    for i, n in enumerate(at):
        out.append(_with(lines, n, []))
        out.append(_with(lines, n, [lines[n], lines[n]]))
        if i + 1 < len(at):
            changed = list(lines)
            changed[n], changed[at[i + 1]] = changed[at[i + 1]], changed[n]
            out.append("\n".join(changed))
        words = list(re.finditer(r"\b[A-Z][A-Z_]+\b", lines[n]))
        for word in words:
            a, b = word.span()
            out.append(_with(lines, n, [lines[n][:a] + "0" + lines[n][b:]]))
        if name != "TABLE":
            out += _other_columns(lines, n)
    return out


def _other_columns(lines: list[str], n: int) -> list[str]:
    """A bit more in each mask, another mode in the ends, the two masks changed over."""
    cells = [c.strip() for c in lines[n].strip().strip("(),").split(", ")]
    out = []
    for column in (1, 2):
        for bit in ("KEY", "TRIP", "LATCHED", "DWELT"):
            cells_with = list(cells)
            cells_with[column] = "%s | %s" % (cells[column], bit) if cells[column] != "0" else bit
            out.append(cells_with)
    over = list(cells)
    over[1], over[2] = cells[2], cells[1]
    out.append(over)
    for column in (0, 3) if len(cells) == 5 else (0,):
        for mode in ("BOOT", "REST", "PRECHARGE", "DRIVE", "SHED", "CHARGE", "LOCKOUT"):
            out.append([*cells[:column], mode, *cells[column + 1 :]])
    return [_with(lines, n, ["    (%s)," % ", ".join(c)]) for c in out if c != cells]


def _ntc(source: str) -> list[str]:
    """Each point of the thermistor's table by one count either way, and the points shifted by one."""
    lines = source.split("\n")
    first, last = _span(source, "NTC_COUNTS")
    text = "\n".join(lines[first - 1 : last])
    out = []
    for found in re.finditer(r"\d+", text):
        for by in (-1, 1, 100):
            changed = text[: found.start()] + str(int(found.group()) + by) + text[found.end() :]
            out.append("\n".join([*lines[: first - 1], changed, *lines[last:]]))
        dropped = text[: found.start()] + text[found.end() :].lstrip(",")
        out.append("\n".join([*lines[: first - 1], dropped, *lines[last:]]))
    return out
