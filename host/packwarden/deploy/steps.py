"""The deploy, step by step.  At any of them it may be cut short: the board then still boots one whole version.

What makes that true is the order: a version is complete and read back before the link to it is renamed into place,
settings are in their store before that, and the loader is replaced last.
"""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass
from typing import Callable, Optional

from packwarden.deploy.board import BACK_S, DeployError, Lost, Prompt, Wire, checked, leave
from packwarden.deploy.payload import Payload, loader

OLDEST, NEWEST = (1, 24), (1, 29)  # of MicroPython, inclusive
MPY = 6  # version of compiled files that these read
ROOM = 16 * 4096  # left free on the board's file system
STRAPPED = "not started, the strap is fitted"  # in place of its version
QUIET_S = 12.0  # of silence after a reset, the loader's check included, before the prompt is looked for
ATTEMPTS = 3  # a board may reset under the copy: what is already there is not copied again

Tell = Callable[[str, int, int], None]  # what, bytes done, bytes in all

# On the board, with /v/NAME first on the path or the loader at hand.
HASHES = """
import os
from hashlib import sha256
from binascii import hexlify
def _hash(path):
    h = sha256()
    b = bytearray(512)
    try:
        with open(path, "rb") as f:
            while True:
                n = f.readinto(b)
                if not n:
                    return hexlify(h.digest()).decode()
                h.update(memoryview(b)[:n])
    except OSError:
        return ""
def _text(path):
    try:
        with open(path) as f:
            return f.read().strip()
    except OSError:
        return ""
def _place(path, text):
    with open(path + ".new", "w") as f:
        f.write(text)
    if _text(path + ".new") != text:
        raise OSError("read back wrong: " + path)
    os.rename(path + ".new", path)
def _whole(name):
    place = "/v/" + name + "/"
    if not name or _hash(place + "manifest")[:16] != name:
        return False
    with open(place + "manifest") as f:
        for line in f:
            said, _, path = line.strip().partition(" ")
            if _hash(place + path) != said:
                return False
    return True
def _running():
    for link in ("/live", "/live.old"):
        name = _text(link)
        if name and _whole(name):
            return name
    return ""
def _clear(path):
    for name, kind, *_ in os.ilistdir(path):
        if kind & 0x4000:
            _clear(path + "/" + name)
        else:
            os.remove(path + "/" + name)
    os.rmdir(path)
"""

ABOUT = """
import sys, os
try:
    import rp2
    _p = "rp2"
except ImportError:
    try:
        import esp32
        _p = "esp32"
    except ImportError:
        _p = sys.platform
_s = os.statvfs("/")
_a = (sys.implementation.version[:3], getattr(sys.implementation, "_mpy", 0) & 255, _p, _s[0] * _s[3])
"""


@dataclass(frozen=True)
class Done:
    """What came of it."""

    version: str
    before: str
    fw: str
    digest: str
    copied: int  # files
    same: int  # files that were there already
    seconds: float


@dataclass(frozen=True)
class Settings:
    """Settings to go with a version: the name that its board keeps them under, the image, and its digest."""

    store_name: str
    image: Optional[bytes]  # None: what the board has
    digest: str


def deploy(port: str, version: Payload, settings: Settings, tell: Tell) -> Done:
    """Put a version on the board and start it.  DeployError, NotAtRest or Lost says what was wrong."""
    began = time.monotonic()
    for attempt in range(ATTEMPTS):
        try:
            done = _deploy(port, version, settings, tell, began)
            break
        except Lost:
            if attempt == ATTEMPTS - 1:
                raise
            tell("the board went away: once more", 0, version.size)
            time.sleep(1.0)
    return done


def _deploy(port: str, version: Payload, settings: Settings, tell: Tell, began: float) -> Done:
    tell("making way", 0, version.size)
    leave(port)
    prompt = Prompt(port)
    try:
        check_board(prompt, version)
        prompt.run(HASHES)
        before = str(prompt.value("_running()"))
        copied, same = _copy(prompt, version, tell)
        tell("checking", version.size, version.size)
        if not prompt.value("_whole(%r)" % version.name):
            raise DeployError("%s: version %s is not whole on the board" % (port, version.name))
        _settings(prompt, version, settings)
        if before and before != version.name:
            prompt.run("_place('/live.old', %r)" % before)
        if prompt.value("_text('/live')") != version.name:
            prompt.run("_place('/live', %r)" % version.name)
        _loader(prompt)
        _forgive(prompt, version.name)
        tell("starting", version.size, version.size)
        prompt.reset()
    finally:
        prompt.close()
    fw, digest = identity(port, version.name)
    if settings.image is not None and fw != STRAPPED and digest != settings.digest:
        raise DeployError("%s: the relay has settings %s, not %s" % (port, digest, settings.digest))
    return Done(version.name, before, fw, digest, copied, same, time.monotonic() - began)


def rollback(port: str, tell: Tell) -> Done:
    """The version before, live again; the present one becomes the one before."""
    began = time.monotonic()
    tell("making way", 0, 1)
    leave(port)
    prompt = Prompt(port)
    try:
        prompt.run(HASHES)
        now, old = str(prompt.value("_text('/live')")), str(prompt.value("_text('/live.old')"))
        if not old or old == now:
            raise DeployError("%s: there is no version before %s on the board" % (port, now or "the first"))
        if not prompt.value("_whole(%r)" % old):
            raise DeployError("%s: version %s is not whole on the board: deploy anew" % (port, old))
        prompt.run("_place('/live', %r)" % old)
        prompt.run("_place('/live.old', %r)" % now)
        _forgive(prompt, old)
        prompt.reset()
    finally:
        prompt.close()
    fw, digest = identity(port, old)
    return Done(old, now, fw, digest, 0, 0, time.monotonic() - began)


def check_board(prompt: Prompt, version: Payload) -> None:
    """Refuse what this firmware is not for."""
    about = prompt.value("_a", ABOUT)
    release, mpy, platform, free = about
    shown = ".".join(map(str, release))
    if platform not in ("rp2", "esp32"):
        raise DeployError("%s: MicroPython on %s: allowed rp2 or esp32" % (prompt.port, platform))
    if not OLDEST <= tuple(release[:2]) <= NEWEST:
        allowed = "%d.%d to %d.%d" % (*OLDEST, *NEWEST)
        raise DeployError("%s: MicroPython %s on the board: allowed %s" % (prompt.port, shown, allowed))
    if version.compiled and mpy != MPY:
        raise DeployError(
            "%s: MicroPython %s reads compiled files of version %d, not %d: --source" % (prompt.port, shown, mpy, MPY)
        )
    if free < version.size + ROOM:
        raise DeployError("%s: %d bytes free on the board: %d are needed" % (prompt.port, free, version.size + ROOM))


def _copy(prompt: Prompt, version: Payload, tell: Tell) -> tuple[int, int]:
    """Files that are not there yet; how many were copied, how many were there."""
    place = "/v/" + version.name
    folders = sorted({path.rpartition("/")[0] for path in version.files if "/" in path})
    needed = ["/v", place] + [place + "/" + folder for folder in folders]
    prompt.run("for _d in %r:\n try:\n  os.mkdir(_d)\n except OSError:\n  pass" % (needed,))
    # Versions that nothing names are in the way.
    prompt.run(
        "for _n in os.listdir('/v'):\n if _n not in (%r, _text('/live'), _text('/live.old')):\n  _clear('/v/' + _n)"
        % version.name
    )
    wanted = [*sorted(version.files.items()), ("manifest", version.manifest)]
    there = dict(prompt.value("[(p, _hash(%r + p)) for p in %r]" % (place + "/", [path for path, _data in wanted])))
    done = copied = same = 0
    for path, data in wanted:
        if there.get(path) == hashlib.sha256(data).hexdigest():
            same += 1
            done += len(data)
            continue

        def more(n: int) -> None:
            nonlocal done
            done += n
            tell("copying", done, version.size)

        prompt.write(place + "/" + path, data, more)
        copied += 1
    return copied, same


def _settings(prompt: Prompt, version: Payload, settings: Settings) -> None:
    """Settings into the board's store, or a look whether it has some for this version's table."""
    prompt.run(
        "import sys\nsys.path.insert(0, '/v/%s')\nfrom boards.store import Files, Store\n_st = Store(Files('/data'))"
        % version.name
    )
    if settings.image is not None:
        prompt.run("_st.save(%r, %r)" % (settings.store_name, settings.image))
    elif prompt.value("_st.read(%r)[0]" % settings.store_name) != 1:
        raise DeployError(
            "%s: the board has no settings for this version: give --settings FILE or --pack NAME" % prompt.port
        )


def _loader(prompt: Prompt) -> None:
    """The loader, if it is another.  The last thing: until then the board starts as it did."""
    ours = loader()
    if prompt.value("_hash('/main.py')") == hashlib.sha256(ours).hexdigest():
        return
    prompt.write("/main.py.new", ours, lambda _n: None)
    if prompt.value("_hash('/main.py.new')") != hashlib.sha256(ours).hexdigest():
        raise DeployError("%s: the loader was not read back as it was written" % prompt.port)
    prompt.run("os.rename('/main.py.new', '/main.py')")


def _forgive(prompt: Prompt, name: str) -> None:
    """Failed starts of the version before are not held against this one."""
    prompt.run("import sys\nsys.path.insert(0, '/v/%s')\nfrom boards.start import forgive\nforgive()" % name)


def identity(port: str, version: str) -> tuple[str, str]:
    """Wait for the version and the identity line; firmware version and settings digest."""
    end = time.monotonic() + BACK_S
    quiet_until = time.monotonic() + QUIET_S
    said: list[str] = []
    while time.monotonic() < end:
        try:
            wire = Wire(port)
        except Lost:
            time.sleep(0.3)
            continue
        try:
            found = _identity(wire, version, said, quiet_until, end)
        except Lost:
            time.sleep(0.3)
            continue
        finally:
            wire.close()
        if found is not None:
            return found
        # Not a line: it may have said why before the port was open, and be at its prompt.
        quiet_until = end
        why = _why_no_relay(port)
        if why is not None:
            said.append(why or "nothing")
            if "strap" in why:
                return STRAPPED, ""
            raise DeployError("%s: started without a relay; it said: %s" % (port, "; ".join(said)))
    raise DeployError("%s: no identity line in %g s; it said: %s" % (port, BACK_S, "; ".join(said) or "nothing"))


def _identity(
    wire: Wire, version: str, said: list[str], quiet_until: float, end: float
) -> Optional[tuple[str, str]]:
    """The same over an open port; None when nothing has come by `quiet_until`, or no identity by `end`."""
    asked, started, heard = 0.0, "", False
    while time.monotonic() < (end if heard else quiet_until):
        for line in wire.lines(0.5):
            if line.startswith("# packwarden: "):
                heard = True
                said.append(line[len("# packwarden: ") :])
                if "version" in line:
                    started = line.rpartition(" ")[2]
                if "strap fitted" in line:
                    return STRAPPED, ""
                if "no relay" in line:
                    raise DeployError("%s: started without a relay; it said: %s" % (wire.port, "; ".join(said)))
            fields = checked(line)
            if fields and fields["kind"] == "ident":
                if started not in ("", version):
                    raise DeployError("%s: version %s started, not %s" % (wire.port, started, version))
                return fields["fw"], fields["cfg"]
            if fields:
                heard = True
                if time.monotonic() - asked > 2.0:
                    asked = time.monotonic()
                    wire.send("who 1")  # it began before the port was open
    return None


def _why_no_relay(port: str) -> Optional[str]:
    """What a board at its prompt says about why it has no relay; None when it is at no prompt."""
    try:
        prompt = Prompt(port)
    except Lost:
        return None
    try:
        return "; ".join(prompt.value("getattr(sys.modules.get('boards.start'), 'stayed', [])", "import sys"))
    finally:
        prompt.close()
