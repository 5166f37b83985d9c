"""One start of the guest: runs the emulator, listens to it, and ends it when the script, the time or the cut says so."""

import ctypes
import os
import re
import selectors
import shutil
import signal
import socket
import subprocess
import sys
import tarfile
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from . import disk, image, kernel, packages

TIMED_OUT, NO_ANSWER, CUT = 124, 125, 137
"""Exit status when the time ran out, when the guest ended without saying how, and when it was cut."""

GUEST_MEMORY_MB = 256
"""Beside the start file system, which is held twice while it is unpacked into a tmpfs of at most half the memory."""

COMMAND_LINE = ("console=ttyS0 rdinit=/init panic=-1 quiet loglevel=4 nokaslr mitigations=off audit=0 apparmor=0 "
                "no_timer_check cryptomgr.notests tsc=reliable random.trust_cpu=on")


@dataclass
class Machine:
    """What to start. Paths brought in and out are (path here, path in the guest)."""

    script: Path
    bring_in: list[tuple[Path, str]] = field(default_factory=list)
    bring_out: list[tuple[Path, str]] = field(default_factory=list)
    disks: list[disk.Wanted] = field(default_factory=list)
    modules: list[str] = field(default_factory=list)
    settings: dict[str, str] = field(default_factory=dict)
    processors: int = 1
    memory_mb: int = 0
    timeout_s: float = 120.0
    clock: str = "utc"
    cut_after_ms: float | None = None
    cut_on_line: str | None = None
    console: Path | None = None
    echo: bool = True

    def run(self) -> "Outcome":
        """Starts the guest and returns when it has ended. Raises packages.Missing, ValueError, OSError."""
        unpacked = packages.ready()
        folder = Path(tempfile.mkdtemp(prefix="bench-"))
        try:
            return _Run(self, unpacked, folder).go()
        finally:
            shutil.rmtree(folder, ignore_errors=True)


@dataclass
class Outcome:
    """How it ended: `ended` is one of 'script', 'timeout', 'cut', 'no answer'; times in seconds from power-on."""

    status: int
    ended: str
    output: str
    ready_s: float | None
    total_s: float
    disks: list[dict]
    console_tail: str


class _Run:
    def __init__(self, machine: Machine, unpacked: Path, folder: Path):
        self.machine = machine
        self.folder = folder
        self.console = machine.console or packages.cache_folder() / "console.log"
        self.console.unlink(missing_ok=True)
        size = image.build(unpacked, machine.script.read_bytes(), machine.bring_in, machine.modules, machine.settings,
                           [guest for _, guest in machine.bring_out], folder / "initramfs")
        self.memory = machine.memory_mb or GUEST_MEMORY_MB + 3 * size // (1 << 20)
        self.kernel = kernel.best(unpacked / "boot")
        self.servers = [disk.Server(disk.Store(wanted), folder / f"disk{n}") for n, wanted in enumerate(machine.disks)]
        self.output = bytearray()
        self.words: dict[str, str] = {}
        self.ready_at: float | None = None
        self.cut_at: float | None = None
        self.seen = 0
        self.pattern = re.compile(machine.cut_on_line.encode(), re.MULTILINE) if machine.cut_on_line else None

    def go(self) -> Outcome:
        listeners = {name: self._listen(name) for name in ("log", "status")}
        self.start = time.monotonic()
        emulator = subprocess.Popen(self._line(), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                                    stderr=subprocess.PIPE, preexec_fn=_die_with_parent)
        try:
            ended = self._follow(emulator, listeners)
        finally:
            emulator.kill()
            complaint = emulator.communicate()[1].decode(errors="replace")
            for listener in listeners.values():
                listener.close()
        return self._outcome(ended, complaint)

    def _listen(self, name: str) -> socket.socket:
        listener = socket.socket(socket.AF_UNIX)
        listener.bind(str(self.folder / name))
        listener.listen(1)
        return listener

    def _line(self) -> list[str]:
        machine, at = self.machine, self.folder
        line = [packages.EMULATOR, "-accel", "tcg,thread=multi", "-machine", "q35", "-cpu", "max,la57=off",
                "-smp", str(machine.processors), "-m", str(self.memory), "-nodefaults", "-no-user-config",
                "-display", "none", "-no-reboot", "-rtc", f"base={machine.clock}",
                "-kernel", str(self.kernel), "-initrd", str(at / "initramfs"), "-append", COMMAND_LINE,
                "-serial", f"file:{self.console}", "-device", "virtio-serial-pci",
                "-chardev", f"socket,id=log,path={at}/log", "-chardev", f"socket,id=status,path={at}/status",
                "-chardev", f"file,id=files,path={at}/files"]
        for name in ("log", "status", "files"):
            line += ["-device", f"virtserialport,chardev={name},name={name}"]
        for n, server in enumerate(self.servers):
            line += ["-drive", f"if=none,id=d{n},format=raw,cache=writeback,file=nbd+unix:///?socket={server.path}",
                     "-device", f"virtio-blk-pci,drive=d{n},write-cache=on,serial=bench{n},"
                                f"logical_block_size={disk.BLOCK},physical_block_size={disk.BLOCK}"]
        return line

    def _follow(self, emulator: subprocess.Popen, listeners: dict[str, socket.socket]) -> str:
        """Reads what the guest says until it ends or is ended; returns why."""
        with selectors.DefaultSelector() as selector:
            for name, listener in listeners.items():
                selector.register(listener, selectors.EVENT_READ, name)
            deadline = self.start + self.machine.timeout_s
            said = b""
            while True:
                now = time.monotonic()
                if self.cut_at is not None and now >= self.cut_at:
                    return "cut"
                if now >= deadline:
                    return "timeout"
                until = min(deadline, self.cut_at or deadline)
                for key, _ in selector.select(min(until - now, 0.2)):
                    if key.fileobj is listeners[key.data]:
                        selector.register(key.fileobj.accept()[0], selectors.EVENT_READ, key.data)
                        continue
                    data = key.fileobj.recv(65536)
                    if not data:
                        selector.unregister(key.fileobj)
                        key.fileobj.close()
                    elif key.data == "log":
                        self._log(data)
                    else:
                        said = self._status(said + data)
                if emulator.poll() is not None and not self._more(selector):
                    return "script" if "end" in self.words else "no answer"

    @staticmethod
    def _more(selector: selectors.BaseSelector) -> bool:
        return bool(selector.select(0))

    def _log(self, data: bytes) -> None:
        self.output += data
        if self.machine.echo:
            sys.stdout.buffer.write(data)
            sys.stdout.buffer.flush()
        while self.pattern and self.cut_at is None and (end := self.output.find(b"\n", self.seen)) >= 0:
            if self.pattern.search(self.output, self.seen, end):
                self._arm()
            self.seen = end + 1

    def _status(self, said: bytes) -> bytes:
        """Takes whole lines ('begin UPTIME', 'end STATUS'); returns the rest."""
        *lines, rest = said.split(b"\n")
        for line in lines:
            word, _, value = line.decode().partition(" ")
            self.words[word] = value
            if word == "begin":
                self.ready_at = time.monotonic()
                if self.pattern is None and self.machine.cut_after_ms is not None:
                    self._arm()
        return rest

    def _arm(self) -> None:
        self.cut_at = time.monotonic() + (self.machine.cut_after_ms or 0.0) / 1000

    def _outcome(self, ended: str, complaint: str) -> Outcome:
        total = time.monotonic() - self.start
        status = {"timeout": TIMED_OUT, "cut": CUT, "no answer": NO_ANSWER}.get(ended)
        if status is None:
            status = int(self.words["end"])
        lost = [self._end_disk(server, ended) for server in self.servers]
        tail = self.console.read_text(errors="replace").splitlines()[-30:] if self.console.exists() else []
        if ended == "script" and self.machine.bring_out:
            absent = self._bring_out()
            if absent:
                complaint += f"the guest has no {', '.join(absent)}\n"
                status = status or NO_ANSWER
        return Outcome(status, ended, self.output.decode(errors="replace"),
                       self.ready_at - self.start if self.ready_at else None, total, lost,
                       "\n".join([*tail, complaint]).strip())

    @staticmethod
    def _end_disk(server: disk.Server, ended: str) -> dict:
        """Cuts the disk unless the guest powered off by itself, having flushed."""
        server.finish()
        if ended == "script":
            server.store.flush()
        waiting, kept = server.store.cut()
        server.store.close()
        return {"image": str(server.store.wanted.image), "written": server.store.written,
                "flushes": server.store.flushes, "unflushed_blocks": waiting, "unflushed_kept": kept}

    def _bring_out(self) -> list[str]:
        """Unpacks what the guest handed out; returns what it did not have."""
        place = self.folder / "out"
        if (self.folder / "files").stat().st_size:
            with tarfile.open(self.folder / "files") as tar:
                tar.extractall(place, **({"filter": "data"} if hasattr(tarfile, "data_filter") else {}))
        absent = []
        for here, guest in self.machine.bring_out:
            source = place / guest.strip("/")
            if not source.exists():
                absent.append(guest)
            elif source.is_dir():
                shutil.copytree(source, here, dirs_exist_ok=True)
            else:
                here.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(source, here)
        return absent


def _die_with_parent() -> None:
    """The emulator never outlives the harness, also when that is killed (prctl PR_SET_PDEATHSIG)."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)
    os.setpgid(0, 0)
