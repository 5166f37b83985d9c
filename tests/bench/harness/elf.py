"""Finds the shared libraries an x86-64 ELF file needs, by reading it, without running it.

Libraries that a program opens by name while it runs are not found: bring those in as files of their own.
"""

import re
import struct
import subprocess
from functools import cache
from pathlib import Path

PT_DYNAMIC, PT_INTERP, PT_LOAD = 2, 3, 1
DT_NEEDED, DT_STRTAB, DT_RPATH, DT_RUNPATH = 1, 5, 15, 29


class NotFound(Exception):
    """A library is neither on this machine nor in the unpacked packages."""


def is_elf(path: Path) -> bool:
    """Whether the file is a 64-bit little-endian ELF file."""
    with open(path, "rb") as file:
        return file.read(6) == b"\x7fELF\x02\x01"


def needs(path: Path) -> tuple[str | None, list[str], list[str]]:
    """Interpreter, names of needed libraries, and the folders the file itself says to search (System V ABI, chapter 5)."""
    data = path.read_bytes()
    table, size, count = struct.unpack_from("<Q", data, 32)[0], *struct.unpack_from("<HH", data, 54)
    segments = [struct.unpack_from("<IIQQQQQQ", data, table + i * size) for i in range(count)]
    interpreter = None
    dynamic: list[tuple[int, int]] = []
    for kind, _, offset, _, _, length, _, _ in segments:
        if kind == PT_INTERP:
            interpreter = data[offset:offset + length].split(b"\0")[0].decode()
        elif kind == PT_DYNAMIC:
            dynamic = [struct.unpack_from("<QQ", data, at) for at in range(offset, offset + length, 16)]
    strings = next((value for tag, value in dynamic if tag == DT_STRTAB), 0)
    for kind, _, offset, address, _, length, _, _ in segments:
        if kind == PT_LOAD and address <= strings < address + length:
            strings += offset - address
            break

    def text(at: int) -> str:
        return data[strings + at:data.index(b"\0", strings + at)].decode()

    libraries = [text(value) for tag, value in dynamic if tag == DT_NEEDED]
    folders = [f for tag, value in dynamic if tag in (DT_RPATH, DT_RUNPATH) for f in text(value).split(":")]
    return interpreter, libraries, [f.replace("$ORIGIN", str(path.parent)) for f in folders]


def closure(files: list[Path], unpacked: Path) -> tuple[dict[str, Path], dict[str, Path]]:
    """Every library the files need, by name, and every interpreter, by its path in the guest.

    Looked for in the file's own search folders, on this machine, then under `unpacked`. Raises `NotFound`.
    """
    libraries: dict[str, Path] = {}
    interpreters: dict[str, Path] = {}
    ahead = list(files)
    while ahead:
        file = ahead.pop()
        interpreter, wanted, folders = needs(file)
        if interpreter:
            interpreters[interpreter] = Path(interpreter)
        for name in wanted:
            if name in libraries or name in {Path(i).name for i in interpreters}:
                continue
            libraries[name] = _find(name, folders, unpacked, file)
            ahead.append(libraries[name])
    return libraries, interpreters


def _find(name: str, folders: list[str], unpacked: Path, wanted_by: Path) -> Path:
    for folder in folders:
        if (Path(folder) / name).is_file():
            return Path(folder) / name
    found = _on_this_machine().get(name) or _in(unpacked).get(name)
    if found is None:
        raise NotFound(f"{wanted_by} needs {name}, which is not on this machine")
    return found


@cache
def _on_this_machine() -> dict[str, Path]:
    text = subprocess.run(["/sbin/ldconfig", "-p"], capture_output=True, text=True, check=True).stdout
    found: dict[str, Path] = {}
    for name, path in re.findall(r"^\s+(\S+) \([^)]*x86-64[^)]*\) => (\S+)$", text, re.MULTILINE):
        found.setdefault(name, Path(path))
    return found


@cache
def _in(unpacked: Path) -> dict[str, Path]:
    """Libraries under the unpacked packages: those in a plain library folder, not in a program's private one."""
    found: dict[str, Path] = {}
    for folder in ("lib", "usr/lib"):
        for path in sorted((unpacked / folder).glob("x86_64-linux-gnu/*.so*")):
            found.setdefault(path.name, path)
    return found
