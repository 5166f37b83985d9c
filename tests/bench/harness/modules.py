"""Picks kernel modules and puts them in the order they can be inserted in.

Reads what each module says of itself (`depends`, `softdep`) so that no `modules.dep` and no depmod is needed.
"""

import lzma
import re
from pathlib import Path

LOADED = [
    "virtio_pci", "virtio_blk", "virtio_console",
    "can", "can_raw", "can_bcm", "can_isotp", "can_gw", "can_dev", "vcan", "slcan",
    "crc32c_generic", "ext4",
]
"""Inserted at every start, in this order, each after what it depends on."""


class NoModule(Exception):
    """The kernel has no module of this name."""


class Modules:
    """The modules of one unpacked kernel."""

    def __init__(self, folder: Path):
        """`folder` is `lib/modules/VERSION`."""
        self.version = folder.name
        self._files = {_plain(p.name.split(".ko")[0]): p for p in folder.rglob("*.ko*")}
        listed = (folder / "modules.builtin").read_text().split()
        self._built_in = {_plain(Path(line).name.split(".ko")[0]) for line in listed}

    def ordered(self, names: list[str]) -> list[tuple[str, bytes]]:
        """(name, contents) of the modules and of all they depend on, dependencies first. Raises `NoModule`."""
        done: dict[str, bytes] = {}
        for name in names:
            self._add(_plain(name), done, required=True)
        return list(done.items())

    def _add(self, name: str, done: dict[str, bytes], required: bool) -> None:
        if name in done or name in self._built_in:
            return
        if name not in self._files:
            if required:
                raise NoModule(f"kernel {self.version} has no module '{name}'")
            return
        data = _contents(self._files[name])
        for other in _said(data, b"depends", b","):
            self._add(other, done, required=True)
        for other in _said(data, b"softdep", b" "):
            self._add(other, done, required=False)
        done[name] = data


def _plain(name: str) -> str:
    return name.replace("-", "_")


def _contents(path: Path) -> bytes:
    data = path.read_bytes()
    if path.suffix == ".xz":
        return lzma.decompress(data)
    if path.suffix != ".ko":
        raise NoModule(f"{path.name}: compressed in a way the bench does not read")
    return data


def _said(data: bytes, key: bytes, between: bytes) -> list[str]:
    names: list[str] = []
    for value in re.findall(rb"\0" + key + rb"=([^\0]*)\0", data):
        words = [word.decode() for word in value.split(between) if word]
        if key == b"softdep":
            words = words[1:] if words[:1] == ["pre:"] else []
        names += [_plain(word) for word in words if not word.endswith(":")]
    return names
