"""Plays the story and prints every line the relay emits."""

import sys

from rig import Rig, pack_of
from story import play


def main():
    rig = Rig(**pack_of(int(sys.argv[1]) if len(sys.argv) > 1 else 12))

    def scan():
        rig.lines = b""
        rig.scan()
        if rig.lines:
            print(rig.lines.decode(), end="")

    play(rig, scan)


main()
