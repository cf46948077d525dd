"""Errors a user can mend."""

from __future__ import annotations

from typing import Any, Mapping

VALUE_MAX, KEY_MAX, ALLOWED_MAX = 80, 120, 600  # characters shown of each


class InputError(Exception):
    """A file or an argument that can't be used: names the file, the key, the value and what is allowed.

    The text is one printable line of bounded length, whatever the file held; the attributes are as they came.
    """

    def __init__(self, file: Any, key: str, value: Any, allowed: str) -> None:
        self.file, self.key, self.value, self.allowed = str(file), key or '""', value, allowed
        name = cut(self.key, KEY_MAX)
        if isinstance(value, Mapping) and "[" not in key:
            what = "[%s]" % name  # as TOML writes a table
        else:
            what = "%s = %s" % (name, cut(shown(value), VALUE_MAX))
        super().__init__("%s: %s: allowed %s" % (cut(str(file), ALLOWED_MAX), what, cut(allowed, ALLOWED_MAX)))


def shown(value: Any, depth: int = 0) -> str:
    """A value as TOML writes it, except that a text stands without quotes."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value) if value.bit_length() < 256 else "a number of %d bits" % value.bit_length()
    if isinstance(value, Mapping):
        return "{...}" if value else "{}"
    if isinstance(value, (list, tuple)):
        if depth > 3 or len(value) > VALUE_MAX:
            return "[...]"
        each = ['"%s"' % v if isinstance(v, str) else shown(v, depth + 1) for v in value]
        return "[%s]" % ", ".join(each)
    return "nothing" if value is None else str(value)


def cut(text: str, most: int) -> str:
    """On one line, printable, and not too long."""
    if len(text) > most:
        text = text[: most - 3] + "..."
    if not text.isprintable():
        text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return text
