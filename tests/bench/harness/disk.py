"""A disk with a volatile write cache: what was written and not flushed can be lost, as on a real flash card.

Ending the emulator alone would not show that: writes the guest's kernel had already handed over would survive in this
machine's page cache although the guest never flushed them. So the emulator reaches its disk through this NBD server, which
keeps every write in memory until the guest asks for a flush (or a forced-unit-access write) and only then puts it into the
image. At a cut the unflushed writes are dropped, kept, or a random part of them is kept, block by block.

Speaks the NBD protocol (github.com/NetworkBlockDevice/nbd, doc/proto.md): fixed newstyle negotiation, simple replies, read,
write, flush, disconnect. One client, one export, on a Unix socket.
"""

import os
import random
import re
import socket
import struct
import threading
from dataclasses import dataclass
from pathlib import Path

BLOCK = 4096
"""Bytes; also the smallest unit a cut keeps or loses."""

READ, WRITE, DISCONNECT, FLUSH = 0, 1, 2, 3
FORCED = 1
HAS_FLAGS, SENDS_FLUSH, SENDS_FORCED = 1, 4, 8
OPT_EXPORT_NAME, OPT_ABORT, OPT_INFO, OPT_GO = 1, 2, 6, 7
REP_ACK, REP_INFO, REP_UNSUPPORTED = 1, 3, (1 << 31) + 1
INFO_EXPORT, INFO_BLOCK_SIZE = 0, 3
INVALID, INPUT_OUTPUT = 22, 5

UNITS = {"": 1, "K": 1 << 10, "M": 1 << 20, "G": 1 << 30}


@dataclass
class Wanted:
    """A disk as asked for on the command line."""

    image: Path
    size: int | None = None
    at_cut: str = "lose"
    seed: int = 0

    @classmethod
    def parse(cls, text: str) -> "Wanted":
        """Reads `IMAGE[,size=N[K|M|G]][,at-cut=lose|keep|some][,seed=N]`. Raises ValueError."""
        name, *options = text.split(",")
        wanted = cls(Path(name))
        for option in options:
            key, _, value = option.partition("=")
            if key == "size" and (match := re.fullmatch(r"(\d+)([KMG]?)", value)):
                wanted.size = int(match[1]) * UNITS[match[2]]
            elif key == "at-cut" and value in ("lose", "keep", "some"):
                wanted.at_cut = value
            elif key == "seed":
                wanted.seed = int(value)
            else:
                raise ValueError(f"disk {name}: '{option}' is not size=, at-cut=lose|keep|some or seed=")
        return wanted


class Store:
    """An image file with a write cache in memory before it."""

    def __init__(self, wanted: Wanted):
        """Opens the image, made sparse and of the asked size if it is not there."""
        if not wanted.image.exists() and not wanted.size:
            raise ValueError(f"disk {wanted.image} is not there: give a size to make it (,size=256M)")
        self._file = os.open(wanted.image, os.O_RDWR | os.O_CREAT, 0o644)
        if wanted.size and os.fstat(self._file).st_size < wanted.size:
            os.ftruncate(self._file, wanted.size)
        self.size = os.fstat(self._file).st_size // BLOCK * BLOCK
        self.wanted = wanted
        self.written = 0
        self.flushes = 0
        self._cache: dict[int, bytes] = {}
        self._lock = threading.Lock()

    def read(self, offset: int, length: int) -> bytes:
        """What the guest sees: the image under the cache."""
        with self._lock:
            data = bytearray(os.pread(self._file, length, offset))
            for at in range(0, length, BLOCK):
                block = self._cache.get((offset + at) // BLOCK)
                if block is not None:
                    data[at:at + BLOCK] = block
            return bytes(data)

    def write(self, offset: int, data: bytes, forced: bool) -> None:
        """Takes whole blocks into the cache, or past it into the image when forced."""
        with self._lock:
            self.written += len(data)
            for at in range(0, len(data), BLOCK):
                self._cache[(offset + at) // BLOCK] = data[at:at + BLOCK]
            if forced:
                self._settle(range(offset // BLOCK, (offset + len(data)) // BLOCK))

    def flush(self) -> None:
        """Everything written so far is now in the image."""
        with self._lock:
            self.flushes += 1
            self._settle(list(self._cache))

    def cut(self) -> tuple[int, int]:
        """The power goes. Returns the blocks that were not flushed, and how many of them survive."""
        with self._lock:
            waiting = sorted(self._cache)
            kept = waiting if self.wanted.at_cut == "keep" else []
            if self.wanted.at_cut == "some":
                dice = random.Random(self.wanted.seed)
                kept = [block for block in waiting if dice.random() < 0.5]
            self._settle(kept)
            self._cache.clear()
            return len(waiting), len(kept)

    def close(self) -> None:
        """Closes the image; what was not flushed is gone."""
        with self._lock:
            os.close(self._file)

    def _settle(self, blocks) -> None:
        for block in blocks:
            os.pwrite(self._file, self._cache.pop(block), block * BLOCK)


class Server:
    """Serves one store to one emulator on a Unix socket, in a thread of its own."""

    def __init__(self, store: Store, path: Path):
        """Listens at once; `path` is short enough for a socket's name."""
        self.store = store
        self.path = path
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(path))
        self._listener.listen(1)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def finish(self) -> None:
        """Waits until the emulator's last request is answered."""
        try:
            self._listener.shutdown(socket.SHUT_RDWR)  # wakes the thread if no emulator ever came
        except OSError:
            pass
        self._listener.close()
        self._thread.join(timeout=10)

    def _serve(self) -> None:
        try:
            client, _ = self._listener.accept()
            with client:
                if self._negotiate(client):
                    while self._answer(client):
                        pass
        except OSError:
            return  # the emulator is gone: a cut, or it never came

    def _negotiate(self, client: socket.socket) -> bool:
        client.sendall(b"NBDMAGIC" + b"IHAVEOPT" + struct.pack(">H", 1 | 2))
        _exactly(client, 4)
        flags = HAS_FLAGS | SENDS_FLUSH | SENDS_FORCED
        while True:
            option, length = struct.unpack(">8xII", _exactly(client, 16))
            _exactly(client, length)

            def reply(kind: int, data: bytes = b"") -> None:
                client.sendall(struct.pack(">QIII", 0x3E889045565A9, option, kind, len(data)) + data)

            if option == OPT_EXPORT_NAME:
                client.sendall(struct.pack(">QH", self.store.size, flags))
                return True
            if option in (OPT_GO, OPT_INFO):
                reply(REP_INFO, struct.pack(">HQH", INFO_EXPORT, self.store.size, flags))
                reply(REP_INFO, struct.pack(">HIII", INFO_BLOCK_SIZE, BLOCK, BLOCK, 1 << 25))
                reply(REP_ACK)
                if option == OPT_GO:
                    return True
            elif option == OPT_ABORT:
                reply(REP_ACK)
                return False
            else:
                reply(REP_UNSUPPORTED)

    def _answer(self, client: socket.socket) -> bool:
        flags, kind, handle, offset, length = struct.unpack(">4xHHQQI", _exactly(client, 28))
        if kind == DISCONNECT:
            return False
        data = _exactly(client, length) if kind == WRITE else b""
        error, back = 0, b""
        try:
            if kind == FLUSH:
                self.store.flush()
            elif offset % BLOCK or length % BLOCK or offset + length > self.store.size or kind not in (READ, WRITE):
                error = INVALID
            elif kind == READ:
                back = self.store.read(offset, length)
            else:
                self.store.write(offset, data, bool(flags & FORCED))
        except OSError:
            error = INPUT_OUTPUT
        client.sendall(struct.pack(">IIQ", 0x67446698, error, handle) + back)
        return True


def _exactly(client: socket.socket, length: int) -> bytes:
    data = bytearray()
    while len(data) < length:
        more = client.recv(length - len(data))
        if not more:
            raise ConnectionError("the emulator closed its disk")
        data += more
    return bytes(data)
