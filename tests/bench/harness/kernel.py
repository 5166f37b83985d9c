"""Takes the compressed kernel out of its boot image, so that no time goes into unpacking it under emulation.

Layout: Linux, Documentation/arch/x86/boot.rst (`setup_sects`, `payload_offset`, `payload_length`). The emulator starts the bare
kernel through its PVH entry.
"""

import gzip
import lzma
import struct
from pathlib import Path


def bare(image: bytes) -> bytes | None:
    """The kernel as an ELF file, or None when it is compressed in a way not read here (then the boot image itself will do)."""
    if image[0x202:0x206] != b"HdrS":
        return None
    start = ((image[0x1F1] or 4) + 1) * 512
    offset, length = struct.unpack_from("<II", image, 0x248)
    payload = image[start + offset:start + offset + length]
    if payload.startswith(b"\xfd7zXZ"):
        found = lzma.LZMADecompressor(format=lzma.FORMAT_XZ).decompress(payload)
    elif payload.startswith(b"\x1f\x8b"):
        found = gzip.decompress(payload[:-4])
    else:
        return None
    return found if found.startswith(b"\x7fELF") else None


def prepare(boot: Path) -> None:
    """Writes `vmlinux` beside the newest boot image of the folder, where it can be had."""
    found = bare(sorted(boot.glob("vmlinuz-*"))[-1].read_bytes())
    if found:
        (boot / "vmlinux").write_bytes(found)


def best(boot: Path) -> Path:
    """The bare kernel, else the boot image."""
    bare_kernel = boot / "vmlinux"
    return bare_kernel if bare_kernel.exists() else sorted(boot.glob("vmlinuz-*"))[-1]
