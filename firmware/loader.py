"""The board's main.py when versions are deployed: finds the live one, checks every byte of it, and runs it.

    live, live.old      the name of the version to run, and of the one before it
    v/NAME/manifest     a line for each file: its SHA-256 and its path; NAME begins the manifest's own SHA-256
    v/NAME/...          the files

`live` is only ever replaced by renaming a finished file over it.  A version of which a byte is wrong is not run:
the one before it is, and failing that none, with every output off and a prompt.
"""

import gc
import os
import sys
from binascii import hexlify
from hashlib import sha256

NAME_LENGTH = 16


def digest(path):
    """SHA-256 of a file, as hex."""
    h = sha256()
    buf = bytearray(512)
    view = memoryview(buf)
    with open(path, "rb") as stream:
        while True:
            n = stream.readinto(buf)
            if not n:
                return hexlify(h.digest()).decode()
            h.update(view[:n])


def whole(name):
    """True when every file of version `name` is as its manifest says, and the manifest as the name says."""
    place = "/v/" + name + "/"
    try:
        if digest(place + "manifest")[:NAME_LENGTH] != name:
            return False
        with open(place + "manifest") as stream:
            for line in stream:
                said, _, path = line.strip().partition(" ")
                if digest(place + path) != said:
                    return False
        return True
    except OSError:
        return False


def named(link):
    """The version that a link names, or nothing."""
    try:
        with open("/" + link) as stream:
            return stream.read().strip()
    except OSError:
        return ""


def find():
    """The version to run: the live one when it is whole, else the one before it, else nothing."""
    for link in ("live", "live.old"):
        name = named(link)
        if name:
            if whole(name):
                return name
            print("# packwarden: version %s is not whole" % name)
    return ""


def go():
    """Run it."""
    name = find()
    gc.collect()
    if not name:
        print("# packwarden: no whole version: every output off, no relay until a deploy")
        return
    print("# packwarden: version %s" % name)
    place = "/v/" + name
    os.chdir("/")
    sys.path.insert(0, place)
    import main

    main.main()


if __name__ == "__main__":
    go()
