"""What an error must tell."""

from __future__ import annotations

from packwarden.errors import InputError

LENGTH_MAX = 1000


def told_well(error: InputError) -> None:
    """One printable line of bounded length that names the file, the field and what is allowed."""
    text = str(error)
    assert error.file and error.key and error.allowed, repr(text)
    assert text.isprintable(), repr(text)
    assert len(text) <= LENGTH_MAX, len(text)
    name = error.file.rpartition("/")[2][:40]
    assert (name in text or not name.isprintable()) and ": allowed " in text, repr(text)
    assert "= ?:" not in text and "= (table):" not in text, text
