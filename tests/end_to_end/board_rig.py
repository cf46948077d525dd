"""A virtual board with the firmware on it, and someone who talks to it over the port."""

import subprocess
import sys
import time
from binascii import crc_hqx

import serial

from packwarden import packs, paths
from packwarden.bench import scenario, tables
from packwarden.virtual.board import VirtualBoard
from packwarden.virtual.world import World, pin_table

FIRMWARE = paths.firmware_dir()
# A machine that runs tests is not a relay's processor: it may stall.  Lateness is not what these tests look at.
PATIENT = {"late_ms": 1000, "late_trip_ms": 5000, "reset_code": 4711}


class Talk:
    """A program that reads the lines and asks."""

    def __init__(self, port):
        self.line = serial.Serial(port, 115200, timeout=0.05)
        self.rest = b""
        self.lines = []
        self.left = []  # of what came with the line that was waited for last
        self.n = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.line.close()

    def poll(self):
        """Take what is there."""
        self.rest += self.line.read(4096)
        *whole, self.rest = self.rest.split(b"\n")
        new = [line.decode("ascii", "replace").strip() for line in whole]
        self.lines += new
        return new

    def wait(self, text, seconds=15.0, of=1):
        """The next line that has `text` in it."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.left = self.left or self.poll()
            while self.left:
                line = self.left.pop(0)
                if text in line:
                    of -= 1
                    if not of:
                        return line
        raise AssertionError("no %r in %g s; last: %s" % (text, seconds, "\n".join(self.lines[-12:])))

    def send(self, text):
        """A command, with its CRC."""
        data = text.encode()
        self.line.write(data + b"*%04x\n" % crc_hqx(data, 0xFFFF))

    def ask(self, text):
        """A command and its reply."""
        for _ in range(40):  # a reply that finds the port unread would be lost like any line
            self.poll()
            if not self.line.in_waiting:
                break
        self.left = []
        self.n += 1
        kind, _, rest = text.partition(" ")
        self.send(("%s %d %s" % (kind, self.n, rest)).strip())
        return self.wait("req=%d " % self.n, 8)


class Car:
    """A virtual board in a pack, and what a person does with it."""

    def __init__(self, flash, pack="orchard-truck", board="pico", strap=False):
        self.world = World(packs.load_pack(pack), pin_table(FIRMWARE / "boards" / (board + ".py")))
        self.world.strap = strap
        self.board = VirtualBoard(self.world, flash, "rp2" if board == "pico" else board)

    def __enter__(self):
        self.board.__enter__()
        return self

    def __exit__(self, *_):
        self.board.stop()

    def talk(self):
        return Talk(self.board.port)

    def drive(self, talk):
        """Key, start, and wait for drive."""
        self.world.press("key")
        time.sleep(0.6)
        self.world.press("start")
        talk.wait("to=drive", 12)
        self.world.press("start", False)

    def until(self, true, seconds=10.0):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if true():
                return
            time.sleep(0.02)
        raise AssertionError("it did not come to that in %g s; said %r" % (seconds, bytes(self.board.said[-600:])))

    def mpremote(self, *args, timeout=60):
        """The real tool."""
        command = [sys.executable, "-m", "mpremote", "connect", self.board.port, *args]
        return subprocess.run(command, capture_output=True, text=True, timeout=timeout)


def settings_image(pack, given):
    values = scenario.settings_of(packs.load_pack(pack))
    tables.placed(values, given, "test")
    return tables.image(values)
