"""Tables written as text: a row a line, columns by spaces, the meaning after a bar.

A table is in parts, so that none needs a long stretch of memory while it is read in, and stands alone in a file
`table_*.py`.  The module that runs it turns it into compact columns when it is imported, and on a board lets the
file go again: the text is for readers, and a board has no room for it.
"""

import sys

ON_A_BOARD = sys.implementation.name == "micropython"


def let_go(name):
    """On a board, forget that `warden.<name>` was imported, so that its memory comes back."""
    if ON_A_BOARD:
        whole = "warden." + name
        if whole in sys.modules:
            del sys.modules[whole]
        package = sys.modules["warden"]
        if hasattr(package, name):
            delattr(package, name)


def lines(table):
    """Each row's line of a table in several parts; blank lines and those that begin with # are for the reader."""
    for part in table:
        start = 0
        while start < len(part):
            end = part.find("\n", start)
            if end < 0:
                end = len(part)
            if end > start and part[start] != "#":
                yield part[start:end]
            start = end + 1


def cells(line):
    """(columns, meaning) of a row's line."""
    left, _, about = line.partition("|")
    return left.split(), about.strip()
