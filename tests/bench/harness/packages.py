"""Gets the Debian packages the guest is made of into the cache folder, once.

Packages are downloaded and unpacked, not installed. Only the emulator is installed, when missing and when run as root.
After the first time nothing here needs the network.
"""

import fcntl
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

from . import kernel

REPOSITORY = Path(__file__).resolve().parents[3]

KERNEL = "linux-image-amd64"
"""A package that only depends on the newest kernel's own package."""

GUEST = ["busybox-static", "can-utils", "dash", "e2fsprogs", "gpsd", "iproute2", "socat"]
"""What the guest's programs come from; the shared libraries they depend on are found through apt."""

FROM_THE_HOST = {"libc6", "libgcc-s1", "libcrypt1"}
"""The C library is the one this machine's own programs are linked with: two of them can't be mixed."""

EMULATOR = "qemu-system-x86_64"
INSTALLED = {EMULATOR: "qemu-system-x86"}


class Missing(Exception):
    """Something the bench needs is not here; the message says what and how to get it."""


def cache_folder() -> Path:
    """`target/bench` of this repository, or what BENCH_CACHE names."""
    return Path(os.environ.get("BENCH_CACHE", REPOSITORY / "target" / "bench"))


def ready() -> Path:
    """Returns the folder the packages are unpacked in; fetches and installs what is missing. Raises `Missing`."""
    cache = cache_folder()
    cache.mkdir(parents=True, exist_ok=True)
    with open(cache / "lock", "w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        _install_emulator()
        if not _is_complete(cache):
            _fetch(cache)
    return cache / "root"


def versions() -> dict[str, str]:
    """Name and version of every unpacked package."""
    return json.loads((cache_folder() / "packages.json").read_text())["versions"]


def _is_complete(cache: Path) -> bool:
    try:
        return json.loads((cache / "packages.json").read_text())["asked"] == [KERNEL, *GUEST]
    except (OSError, ValueError, KeyError):
        return False


def _install_emulator() -> None:
    absent = [package for program, package in INSTALLED.items() if shutil.which(program) is None]
    if not absent:
        return
    line = ["apt-get", "install", "-y", "--no-install-recommends", *absent]
    if os.geteuid() != 0:
        raise Missing(f"{', '.join(absent)} not installed: run '{' '.join(line)}' as root")
    _run(line, env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"})


def _fetch(cache: Path) -> None:
    """Downloads, unpacks, and writes packages.json last, so that a cut download is begun again."""
    for program in ("apt-get", "apt-cache", "dpkg-deb"):
        if shutil.which(program) is None:
            raise Missing(f"{program} not found: the bench is made of Debian packages and fetched with apt")
    shutil.rmtree(cache / "debs", ignore_errors=True)
    shutil.rmtree(cache / "root", ignore_errors=True)
    (cache / "debs").mkdir()
    (cache / "root").mkdir()
    wanted = sorted({_kernel_package(), *GUEST} | _libraries_of(GUEST))
    _run(["apt-get", "download", *wanted], cwd=cache / "debs")
    found = {}
    for deb in sorted((cache / "debs").glob("*.deb")):
        _run(["dpkg-deb", "-x", str(deb), str(cache / "root")])
        name, version = _run(["dpkg-deb", "-W", "--showformat=${Package} ${Version}", str(deb)]).split()
        found[name] = version
    absent = [name for name in wanted if name not in found]
    if absent:
        raise Missing(f"apt-get did not bring: {', '.join(absent)}")
    shutil.rmtree(cache / "debs")
    kernel.prepare(cache / "root" / "boot")
    text = json.dumps({"asked": [KERNEL, *GUEST], "versions": found}, indent=1, sort_keys=True)
    (cache / "packages.json").write_text(text + "\n")


def _kernel_package() -> str:
    for name in _depends(KERNEL):
        if name.startswith("linux-image-"):
            return name
    raise Missing(f"apt knows no package {KERNEL}: run apt-get update, on an amd64 Debian")


def _libraries_of(packages: list[str]) -> set[str]:
    """Library packages reached from these through library packages alone."""
    seen: set[str] = set()
    ahead = list(packages)
    while ahead:
        for name in _depends(ahead.pop()):
            if re.match(r"lib|zlib", name) and name not in seen and name not in FROM_THE_HOST:
                seen.add(name)
                ahead.append(name)
    return seen


def _depends(package: str) -> list[str]:
    text = _run(["apt-cache", "depends", "--important", package])
    return re.findall(r"^[ |]*(?:Pre)?Depends: ([a-z0-9][\w.+-]*)$", text, re.MULTILINE)


def _run(line: list[str], **more) -> str:
    done = subprocess.run(line, capture_output=True, text=True, **more)
    if done.returncode != 0:
        tail = "\n".join(done.stderr.strip().splitlines()[-5:])
        raise Missing(f"'{' '.join(line)}' failed:\n{tail}")
    return done.stdout
