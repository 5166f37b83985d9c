"""Builds the file system the guest starts with: a cpio archive of the `newc` kind, uncompressed.

The same inputs give the same bytes: files in order of name, all times zero, all owned by root.
"""

import os
import stat
import subprocess
from pathlib import Path

from . import elf
from .modules import LOADED, Modules

PROGRAMS = {
    "usr/bin": [
        "candump", "cansend", "cangen", "canplayer", "canbusload", "cangw", "cansequence", "canfdtest",
        "isotpsend", "isotprecv", "isotpdump", "isotpperf", "slcan_attach", "slcand", "slcanpty",
        "log2asc", "asc2log", "socat", "socat1",
    ],
    "usr/sbin": ["gpsd", "gpsdctl"],
    "sbin": ["ip", "mke2fs", "mkfs.ext4", "e2fsck", "fsck.ext4", "tune2fs", "debugfs"],
    "bin": ["busybox", "dash", "ip"],
}
"""Programs of the unpacked packages the guest gets, by folder; one a version of a package doesn't have is left out."""

PLAIN_FILES = {
    "etc/passwd": "root:x:0:0:root:/root:/bin/sh\ngpsd:x:101:20::/run/gpsd:/bin/false\n",
    "etc/group": "root:x:0:\ndialout:x:20:\n",
    "etc/hosts": "127.0.0.1 localhost bench\n",
    "etc/nsswitch.conf": "passwd: files\ngroup: files\nhosts: files\n",
}

FOLDERS = ["proc", "sys", "dev", "run", "tmp", "root", "mnt", "var/lib", "var/log", "bench", "usr/share", "lib/x86_64-linux-gnu"]
GUEST_LIBRARIES = "lib/x86_64-linux-gnu"


class Archive:
    """A newc cpio archive in the making; paths without a leading slash."""

    def __init__(self):
        """Starts empty."""
        self._entries: dict[str, tuple[int, bytes]] = {}

    def folder(self, path: str) -> None:
        """Adds a folder and those above it."""
        parts = Path(path.strip("/")).parts
        for n in range(1, len(parts) + 1):
            self._entries.setdefault("/".join(parts[:n]), (stat.S_IFDIR | 0o755, b""))

    def file(self, path: str, data: bytes, mode: int = 0o644) -> None:
        """Adds or replaces a file."""
        path = path.strip("/")
        self.folder(str(Path(path).parent))
        self._entries[path] = (stat.S_IFREG | mode, data)

    def link(self, path: str, to: str) -> None:
        """Adds a symbolic link unless the path is taken."""
        path = path.strip("/")
        self.folder(str(Path(path).parent))
        self._entries.setdefault(path, (stat.S_IFLNK | 0o777, to.encode()))

    def write(self, path: Path) -> int:
        """Writes the archive; returns its size in bytes."""
        with open(path, "wb") as out:
            for number, (name, (mode, data)) in enumerate(sorted(self._entries.items()), 1):
                self._entry(out, number, name, mode, data)
            self._entry(out, 0, "TRAILER!!!", 0, b"")
            return out.tell()

    @staticmethod
    def _entry(out, number: int, name: str, mode: int, data: bytes) -> None:
        """One header, name and contents (Linux, Documentation/driver-api/early-userspace/buffer-format.rst)."""
        encoded = name.encode() + b"\0"
        links = 2 if stat.S_ISDIR(mode) else 1
        fields = [number, mode, 0, 0, links, 0, len(data), 0, 0, 0, 0, len(encoded), 0]
        header = b"070701" + b"".join(b"%08X" % field for field in fields) + encoded
        out.write(header + b"\0" * (-len(header) % 4))
        out.write(data)
        out.write(b"\0" * (-len(data) % 4))


def build(unpacked: Path, script: bytes, brought_in: list[tuple[Path, str]], extra_modules: list[str],
          settings: dict[str, str], brought_out: list[str], to: Path) -> int:
    """Writes the guest's first file system to `to`; returns its size in bytes.

    `brought_in` lists (path here, path in the guest); folders are taken whole. The shared libraries of every ELF file in it
    come along. `settings` become the script's environment. `brought_out` lists paths the guest hands out after the script.
    """
    archive = Archive()
    for folder in FOLDERS:
        archive.folder(folder)
    for path, text in PLAIN_FILES.items():
        archive.file(path, text.encode())
    programs = _programs(unpacked, archive)
    programs += _bring_in(brought_in, archive)
    _libraries(programs, unpacked, archive)
    _busybox(unpacked, archive)
    _modules(unpacked, extra_modules, archive)
    here = Path(__file__).parents[1] / "guest"
    archive.file("init", (here / "init").read_bytes(), 0o755)
    archive.file("bench/script", script, 0o755)
    archive.file("bench/environment", "".join(f"export {k}={_quoted(v)}\n" for k, v in settings.items()).encode())
    archive.file("bench/out", "".join(f"{path.strip('/')}\n" for path in brought_out).encode())
    return archive.write(to)


def _quoted(value: str) -> str:
    return "'" + value.replace("'", "'\\''") + "'"


def _programs(unpacked: Path, archive: Archive) -> list[Path]:
    """Adds the packages' programs; returns the ELF files among them."""
    found = []
    for folder, names in PROGRAMS.items():
        for name in names:
            path = unpacked / folder / name
            if path.is_symlink():
                archive.link(f"{folder}/{name}", os.readlink(path))
            elif path.is_file():
                archive.file(f"{folder}/{name}", path.read_bytes(), 0o755)
                if elf.is_elf(path):
                    found.append(path)
    settings = unpacked / "etc" / "mke2fs.conf"
    if settings.is_file():
        archive.file("etc/mke2fs.conf", settings.read_bytes())
    return found


def _bring_in(pairs: list[tuple[Path, str]], archive: Archive) -> list[Path]:
    """Adds files and folders from this machine; returns the ELF files among them."""
    found = []
    for source, target in pairs:
        if source.is_dir():
            archive.folder(target)
            inside = sorted(p for p in source.rglob("*") if p.is_file())
            files = [(p, f"{target.rstrip('/')}/{p.relative_to(source)}") for p in inside]
        else:
            files = [(source, target)]
        for path, place in files:
            archive.file(place, path.read_bytes(), 0o755 if os.access(path, os.X_OK) else 0o644)
            if elf.is_elf(path):
                found.append(path)
    return found


def _libraries(programs: list[Path], unpacked: Path, archive: Archive) -> None:
    libraries, interpreters = elf.closure(programs, unpacked)
    for name, path in sorted(libraries.items()):
        archive.file(f"{GUEST_LIBRARIES}/{name}", path.read_bytes(), 0o755)
    for place, path in sorted(interpreters.items()):
        archive.file(place, path.read_bytes(), 0o755)


def _busybox(unpacked: Path, archive: Archive) -> None:
    """A link for every applet whose place no other program has taken.

    The shell is dash: busybox's own runs its applets in place of programs of the same name, such as `ip`.
    """
    archive.link("bin/sh", "dash")
    listed = subprocess.run([unpacked / "bin" / "busybox", "--list-full"], capture_output=True, text=True, check=True)
    for path in listed.stdout.split():
        archive.link(path, "/bin/busybox")


def _modules(unpacked: Path, extra: list[str], archive: Archive) -> None:
    folder = next(p for p in sorted((unpacked / "lib" / "modules").iterdir()) if p.is_dir())
    ordered = Modules(folder).ordered(LOADED + extra)
    for name, data in ordered:
        archive.file(f"lib/modules/{name}.ko", data)
    archive.file("lib/modules/order", "".join(f"{name}\n" for name, _ in ordered).encode())
