"""Errors a user can mend."""

from __future__ import annotations

from typing import Any


class InputError(Exception):
    """A file or an argument that can't be used: names the file, the key, the value and what is allowed."""

    def __init__(self, file: Any, key: str, value: Any, allowed: str) -> None:
        self.file, self.key, self.value, self.allowed = str(file), key, value, allowed
        super().__init__("%s: %s = %s: allowed %s" % (file, key, value, allowed))
