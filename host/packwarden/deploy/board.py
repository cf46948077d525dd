"""A board at the other end of a serial port: the relay that runs on it, or the prompt that it left.

mpremote's own transport does the talking to the prompt.
"""

from __future__ import annotations

import ast
import contextlib
import io
import time
from binascii import crc_hqx
from typing import Any, Callable, Optional

import serial
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

LISTEN_S = 1.5  # a relay tells something twenty times a second
REPLY_S = 3.0
BACK_S = 25.0  # from reset to the first line, the loader's check included
PROMPT_S = 5.0
TRIES = 3


class DeployError(Exception):
    """The board can't be deployed to, or did not do what it was asked."""


class NotAtRest(DeployError):
    """The relay is in use."""


class Lost(DeployError):
    """The line to the board was lost."""


def checked(line: str) -> Optional[dict[str, str]]:
    """Fields of a line of the protocol, `kind` with them; None for what is not one."""
    body, star, crc = line.rstrip("\r\n").rpartition("*")
    if not star or "%04x" % crc_hqx(body.encode("ascii", "replace"), 0xFFFF) != crc:
        return None
    words = body.split(" ")
    fields = dict(word.split("=", 1) for word in words[2:] if "=" in word)
    fields["kind"] = words[0]
    return fields


class Wire:
    """The relay's lines."""

    def __init__(self, port: str) -> None:
        self.port = port
        try:
            self.line = serial.serial_for_url(port, baudrate=115200, timeout=0.1, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise Lost("%s: %s" % (port, error)) from None
        self.rest = b""

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(serial.SerialException, OSError):
            self.line.close()

    def lines(self, seconds: float) -> Any:
        """Whole lines as they come, for so long."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                self.rest += self.line.read(self.line.in_waiting or 1)
            except (serial.SerialException, OSError) as error:
                raise Lost("%s: the line to the board was lost (%s)" % (self.port, error)) from None
            *whole, self.rest = self.rest.split(b"\n")
            for line in whole:
                yield line.decode("ascii", "replace").strip()

    def send(self, command: str) -> None:
        """A command, after whatever was left of a line before it."""
        data = command.encode("ascii")
        try:
            self.line.write(b"\n" + data + b"*%04x\n" % crc_hqx(data, 0xFFFF))
        except (serial.SerialException, OSError) as error:
            raise Lost("%s: the line to the board was lost (%s)" % (self.port, error)) from None

    def relay_speaks(self) -> bool:
        """A relay is running there.  It is greeted first: one whose port went unread waits for a byte."""
        with contextlib.suppress(serial.SerialException, OSError):
            self.line.write(b"\n")
        return any(checked(line) for line in self.lines(LISTEN_S))

    def ask(self, command: str) -> dict[str, str]:
        """The reply to a command.  A reply that was lost among other lines is asked for again."""
        kind, _, rest = command.partition(" ")
        for n in range(TRIES):
            req = str(int(time.monotonic() * 10 + n) % 1000000)
            self.send(("%s %s %s" % (kind, req, rest)).strip())
            for line in self.lines(REPLY_S):
                fields = checked(line)
                if fields and fields["kind"] == "reply" and fields.get("req") == req:
                    return fields
        raise DeployError("%s: the relay does not answer" % self.port)

    def mode(self) -> str:
        """The mode that it says it is in."""
        for line in self.lines(REPLY_S):
            fields = checked(line)
            if fields and fields["kind"] == "state":
                return fields["mode"]
        return "unknown"


def leave(port: str) -> str:
    """Have a relay that runs at `port` make way; what was there: "relay" or "prompt".

    NotAtRest when it is in use; Lost when there is no such port.
    """
    wire = Wire(port)
    try:
        if not wire.relay_speaks():
            return "prompt"
        reply = wire.ask("service")
        if reply["status"] != "ok":
            if reply["why"] == "not_at_rest":
                raise NotAtRest(
                    "%s: the relay is not at rest (mode %s): switch off, unplug, wait, and try again"
                    % (port, wire.mode())
                )
            raise DeployError("%s: the relay refuses: %s" % (port, reply["why"]))
        for line in wire.lines(BACK_S):
            if line.startswith("# packwarden: service"):
                time.sleep(0.3)  # and the prompt behind it
                return "relay"
        raise DeployError("%s: the relay left, but no prompt came" % port)
    except Lost:
        # A USB port goes away with the reset and comes back.
        _back(port)
        return "relay"
    finally:
        wire.close()


def _back(port: str) -> None:
    """Wait until a port can be opened again."""
    end = time.monotonic() + BACK_S
    while True:
        try:
            Wire(port).close()
            return
        except Lost:
            if time.monotonic() > end:
                raise
            time.sleep(0.3)


class Prompt:
    """MicroPython's prompt on the board, with no relay running."""

    def __init__(self, port: str) -> None:
        self.port = port
        noise = io.StringIO()
        try:
            with contextlib.redirect_stdout(noise):
                self.transport = SerialTransport(port, baudrate=115200, timeout=0.2)
                # Not through a soft reset: that would start over what the service command left.
                self.transport.enter_raw_repl(soft_reset=False, timeout_overall=PROMPT_S)
        except (TransportError, serial.SerialException, OSError, ValueError) as error:
            self.close()
            raise Lost("%s: no MicroPython prompt there (%s)" % (port, error)) from None

    def close(self) -> None:
        """Let go of the port, the prompt left as it was found."""
        transport = getattr(self, "transport", None)
        if transport is not None:
            with contextlib.suppress(Exception):
                if transport.in_raw_repl:
                    transport.exit_raw_repl()
            with contextlib.suppress(Exception):
                transport.close()

    def run(self, code: str) -> str:
        """Run code; what it printed.  DeployError with the board's own words when it raised."""
        try:
            with contextlib.redirect_stdout(io.StringIO()):
                return str(self.transport.exec(code).decode("utf-8", "replace"))
        except TransportExecError as error:
            raise DeployError("%s: %s" % (self.port, error.error_output.strip().split("\n")[-1])) from None
        except (TransportError, serial.SerialException, OSError) as error:
            raise Lost("%s: the line to the board was lost (%s)" % (self.port, error)) from None

    def value(self, expression: str, before: str = "") -> Any:
        """The value of an expression on the board."""
        said = self.run("%s\nprint(repr(%s))" % (before, expression)).strip().split("\n")[-1]
        try:
            return ast.literal_eval(said)
        except (ValueError, SyntaxError):
            raise DeployError("%s: answered %r" % (self.port, said[:80])) from None

    def write(self, path: str, data: bytes, tell: Callable[[int], None]) -> None:
        """Write a file whole."""
        done = 0

        def progress(written: int, _total: int) -> None:
            nonlocal done
            tell(written - done)
            done = written

        try:
            with contextlib.redirect_stdout(io.StringIO()):
                self.transport.fs_writefile(path, data, chunk_size=1024, progress_callback=progress)
        except (TransportError, serial.SerialException) as error:
            raise Lost("%s: the line to the board was lost while writing %s (%s)" % (self.port, path, error)) from None
        except OSError as error:
            raise DeployError("%s: %s can't be written: %s" % (self.port, path, error.strerror or error)) from None

    def reset(self) -> None:
        """Reset the board; the port is closed afterwards."""
        with contextlib.suppress(Exception):
            self.transport.exec_raw_no_follow("import machine\nmachine.reset()")
            time.sleep(0.2)
        self.transport.in_raw_repl = False
        self.close()
