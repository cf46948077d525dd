"""Fuzz target: bytes on the relay's serial line, at rest, in drive, in lockout and with a damaged memory.

An input is a script, so that a fuzzer gets behind the checksum: its first byte chooses the state, then each line is
    !text   sent as a command with its CRC; `%d` in it becomes the digest of what is staged
    other   sent as it is
What must hold is said here a second time, from docs/protocol.md, and held against the relay after every scan.
"""

from __future__ import annotations

import copy
import re
from array import array
from binascii import crc_hqx
from functools import lru_cache
from typing import Any

import rig as rigs
from grammar import LINE
from rig import Rig

from boards.bench import HEAD
from packwarden.bench.result import parse
from warden import settings
from warden.modes import LOCKOUT, POWER, REST

STATES = ("rest", "drive", "lockout", "damaged")
CODE = 4711
SENT_MAX = 4000  # bytes of one input that are sent
SCANS_MAX = 600  # for one line: a listing of everything is the longest
NAMES = {}
for _row in settings.TABLE:
    for _k in range(_row[1]):
        NAMES[_row[0] if _row[1] == 1 else "%s.%d" % (_row[0], _k)] = (_row[4], _row[5])
KEYS = list(NAMES)
FIELDS = {"who": [], "get": ["name"], "set": ["name", "value"], "apply": ["digest"], "forget": [], "list": ["what"],
          "clear": ["code"], "service": []}  # fmt: skip
WHOLE = re.compile(r"([^ ]*) ([0-9]{1,6})((?: [^ ]*)*)")


@lru_cache(maxsize=None)
def base(state: str) -> Rig:
    """A rig in one of the states, made once and copied for each input."""
    rig = Rig(reset_code=CODE)
    if state == "drive":
        rig.drive(20000)
    elif state == "lockout":
        rig.drive()
        rig.inputs &= ~rigs.ESTOP
        rig.until("lockout")
        rig.inputs = rigs.HEALTHY
        rig.run(20000)
    elif state == "damaged":
        nv = bytearray(rig.board.nv)
        nv[20] ^= 4
        rig = Rig(nv)
        rig.until("lockout")
        rig.run(3000)
    else:
        rig.until("rest")
        rig.run(3000)
    rig.lines = b""
    return rig


def fresh(state: str) -> Rig:
    """A copy of the rig in that state."""
    rig = base(state)
    frame = array("H", rig.board.frame)
    # A memoryview can't be copied: the copy looks into the copied frame.
    memo: dict[int, Any] = {id(rig.board.frame): frame, id(rig.board.counts): memoryview(frame)[HEAD:]}
    return copy.deepcopy(rig, memo)


def seal(text: bytes) -> bytes:
    """A line with its CRC."""
    return b"%s*%04x\n" % (text, crc_hqx(text, 0xFFFF))


class Model:
    """What the relay must answer, and which settings it must then have."""

    def __init__(self, rig: Rig) -> None:
        self.values = list(rig.relay.values)
        self.damaged = rig.relay.memory_bad
        self.staged: list[int] | None = None
        self.refused = rig.relay.commands.refused
        self.wrong = 0
        self.may_leave = False

    def digest(self) -> str:
        """Of what is staged, in hex, as the relay shows it."""
        return "%x" % settings.digest(self.values if self.staged is None else self.staged)

    @staticmethod
    def command(line: bytes) -> tuple[str, str, list[str], list[str]] | None:
        """(word, number, names, values) of a whole command without its LF; None for what must get no reply."""
        # `x 1*0000` is the shortest there can be.
        if not 8 <= len(line) <= 96 or any(not 32 <= b < 127 for b in line) or not re.search(rb"\*[0-9a-f]{4}$", line):
            return None
        if int(line[-4:], 16) != crc_hqx(line[:-5], 0xFFFF):
            return None
        found = WHOLE.fullmatch(line[:-5].decode())
        if not found:
            return None
        pairs = [w.split("=") for w in found[3].split(" ")[1:]]
        # A field that is none spoils the names, which never hold a `=`.
        return found[1], found[2], [p[0] if len(p) == 2 else "=" for p in pairs], [p[-1] for p in pairs]

    def takes(
        self, command: tuple[str, str, list[str], list[str]], reply: dict[str, str], mode: int, off: bool
    ) -> None:
        """Hold a reply against the document, in the mode in which it was given."""
        word, number, names, given = command
        assert reply["req"] == str(int(number)), reply
        good, why = reply["status"] == "ok", reply["why"]
        at_rest = off and (mode == REST or mode == LOCKOUT and self.damaged)
        if word not in FIELDS:
            assert (good, why) == (False, "unknown"), reply
        elif names != FIELDS[word]:
            assert (good, why) == (False, "fields"), reply
        elif word in ("set", "apply") and not at_rest:
            assert (good, why) == (False, "not_at_rest"), reply
        elif word == "set":
            self._set(given[0], given[1], good, why)
        elif word == "get":
            assert good == (given[0] in NAMES), reply
            if good:
                value = 0 if given[0] == "reset_code" else self.values[KEYS.index(given[0])]
                assert int(reply["value"]) == value, reply
        elif word == "apply":
            self._apply(given[0], good, why)
        elif word == "service":
            assert (good, why) == (False, "no_tool" if off and mode in (REST, LOCKOUT) else "not_at_rest"), reply
        elif word == "forget":
            self.staged = None
            assert good, reply
        elif word == "list":
            assert good == (given[0] in ("fields", "settings", "trips")), reply
        elif word == "clear":
            right = self.values[KEYS.index("reset_code")]
            ours = re.fullmatch("-?[0-9]{1,9}", given[0]) and int(given[0]) == right
            allowed = bool(ours) and right != 0 and self.wrong < 5 and mode == LOCKOUT
            assert allowed or not good, reply
            if right and self.wrong < 5 and not ours:
                self.wrong += 1
            self.may_leave = self.may_leave or good

    def _set(self, name: str, text: str, good: bool, why: str) -> None:
        if name not in NAMES:
            assert (good, why) == (False, "name"), (name, why)
            return
        low, high = NAMES[name]
        allowed = bool(re.fullmatch("-?[0-9]{1,9}", text)) and low <= int(text) <= high
        assert good == allowed, (name, text, why)
        if good:
            self.staged = list(self.values) if self.staged is None else self.staged
            self.staged[KEYS.index(name)] = int(text)

    def _apply(self, digest: str, good: bool, why: str) -> None:
        if self.staged is None:
            assert (good, why) == (False, "nothing"), why
        elif digest != self.digest():
            assert (good, why) == (False, "digest"), why
        else:
            assert good or why.startswith("order_"), why
            if good:
                self.values, self.staged = self.staged, None


class Wire:
    """A rig, the model beside it, and what must hold after every scan."""

    def __init__(self, state: str) -> None:
        self.rig = fresh(state)
        self.model = Model(self.rig)
        self.on = self.rig.board.out_bits & POWER
        self.began = self.rig.mode
        self.replies: list[tuple[dict[str, str], int, bool]] = []
        self.line = b""
        self.waiting: list[tuple[str, str, list[str], list[str]]] = []
        self.seq = -1

    def scan(self) -> None:
        """One scan; its lines, its outputs and its settings looked at."""
        rig = self.rig
        rig.lines = b""
        rig.scan()
        off = not rig.powered()
        for raw in rig.lines.splitlines(keepends=True):
            assert len(raw) <= 240 and LINE.fullmatch(raw), raw
            told = parse(raw[:-1])
            assert told is not None, raw
            assert self.seq < 0 or told[1] == (self.seq + 1) % 65536, raw
            self.seq = told[1]
            if told[0] == "reply":
                assert self.waiting, "a reply to nothing: %r" % raw
                self.model.takes(self.waiting.pop(0), told[2], rig.relay.sequence.mode, off)
        assert rig.board.out_bits & POWER & ~self.on == 0, "bytes switched a power output on"
        assert rig.board.out_bits & POWER == self.on, "bytes switched a power output off"
        assert list(rig.relay.values) == self.model.values, "settings changed"
        if self.began == "lockout" and rig.mode != "lockout":
            assert self.model.may_leave, "left lockout without the code"

    def say(self, data: bytes) -> None:
        """Send bytes, never more than the port holds, and scan until all that is whole has been answered."""
        board, commands = self.rig.board, self.rig.relay.commands
        for n in range(0, len(data), 60):
            part = data[n : n + 60]
            for b in part:
                if b != 10:
                    self.line += bytes([b])
                    continue
                command = self.model.command(self.line)
                if command is None:
                    self.model.refused += 1
                else:
                    self.waiting.append(command)
                self.line = b""
            board.give(part)
            scans = 0
            self.scan()
            while board.rx_n or commands.listing >= 0 or self.waiting:
                scans += 1
                assert scans < SCANS_MAX, "no answer to %r" % (self.waiting,)
                self.scan()


def one_input(data: bytes) -> None:
    """Run the script; AssertionError when the relay does what it must not."""
    wire = Wire(STATES[data[0] % len(STATES)] if data else "rest")
    sent = 0
    for line in data[1:].split(b"\n"):
        said = seal(line[1:].replace(b"%d", wire.model.digest().encode())) if line[:1] == b"!" else line + b"\n"
        sent += len(said)
        if sent > SENT_MAX:
            break
        wire.say(said)
    for _ in range(3):
        wire.scan()
    assert wire.rig.relay.commands.refused == wire.model.refused, "what was refused is not what was counted"
    assert wire.rig.relay.outbox.lost == 0
    kept = settings.unpack(wire.rig.board.nv)
    assert wire.model.damaged or list(kept) == wire.model.values, "memory and use differ"
