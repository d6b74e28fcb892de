"""Builds of the firmware and of the emulator's harness."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest

Built = TypeVar("Built")

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = Path(os.environ.get("STRIKEBENCH_FIRMWARE", ROOT / "rig" / "firmware"))
"""Sources; tests that change some name a changed copy."""
HARNESS = Path(__file__).with_name("harness")

_TOOLS = {
    "avr-gcc": "gcc-avr",
    "avr-objcopy": "binutils-avr",
    "make": "make",
    "gcc": "gcc",
    "clang-14": "clang-14",
    "gcovr": "gcovr",
    "cppcheck": "cppcheck",
    "avrdude": "avrdude",
}
_FILES = {
    "/usr/lib/avr/include/avr/io.h": "avr-libc",
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "/usr/include/libelf.h": "libelf-dev",
}


def need(*names: str) -> None:
    """Skip the test, with the Debian package by name, when a tool or a file is missing."""
    missing = [
        package
        for name, package in (_TOOLS | _FILES).items()
        if name in names and not (Path(name).exists() if "/" in name else shutil.which(name))
    ]
    if missing:
        pytest.skip(f"missing Debian package: {' '.join(missing)}")


def run(command: list[str], cwd: Path | None = None) -> str:
    """Run a command to its end; its output, with the test failed if it fails."""
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout}{done.stderr}"
    return done.stdout + done.stderr


def make(target: str, build: Path, *settings: str, firmware: Path = FIRMWARE) -> str:
    """Make one target of the firmware's Makefile in ``build``; what the tools printed."""
    need("make")
    command = ["make", "-s", "-f", str(firmware / "Makefile"), target]
    return run([*command, f"BUILD={build}", f"PYTHON={sys.executable}", f"ROOT={ROOT}", *settings])


def host_build(build: Path, *settings: str, firmware: Path = FIRMWARE) -> Path:
    """The core for this machine."""
    need("gcc", "make")
    build = Path(os.environ.get("STRIKEBENCH_HOST_BUILD", build))
    flags = os.environ.get("STRIKEBENCH_HOST_FLAGS")
    if flags:
        settings = (*settings, f"HOST_FLAGS={flags}")
    make("host", build, "CC=gcc", *settings, firmware=firmware)
    return build / "strikebench_host"


def avr_build(build: Path, firmware: Path = FIRMWARE) -> Path:
    """The controller's image."""
    need("avr-gcc", "avr-objcopy", "make", "/usr/lib/avr/include/avr/io.h")
    make("avr", build, firmware=firmware)
    return build / "strikebench.hex"


def harness_build(build: Path) -> Path:
    """The emulator's harness; the one at hand, where one is."""
    need("gcc", "/usr/include/simavr/sim_avr.h", "/usr/include/libelf.h")
    program = Path(os.environ.get("STRIKEBENCH_HARNESS", build / "harness"))
    if program.exists():
        return program
    console = FIRMWARE / "host"
    shared = [console / "console.c", console / "schedule.c"]
    sources = [str(source) for source in [*sorted(HARNESS.glob("*.c")), *shared]]
    flags = ["-std=gnu11", "-O2", "-Wall", "-Wextra", f"-I{console}", "-I/usr/include/simavr"]
    run(["gcc", *flags, *sources, "-o", str(program), "-lsimavr", "-lelf"])
    return program


def emulator_build(build: Path) -> list[str]:
    """The emulator's harness and the controller's image: the command that starts it."""
    return [str(harness_build(build)), str(avr_build(build))]


def shared(request: pytest.FixtureRequest, build: Callable[[Path], Built]) -> Built:
    """What ``build`` makes in a folder that all processes of this test run share."""
    base: Path = request.getfixturevalue("tmp_path_factory").getbasetemp()
    folder = (base.parent if hasattr(request.config, "workerinput") else base) / build.__name__
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        return build(folder)


def pytest_within(arguments: list[str], **environment: str) -> subprocess.CompletedProcess[str]:
    """Run some tests in a process of their own, on a build of their own."""
    command = [sys.executable, "-m", "pytest", "-q", "-x"]
    for plugin in ("xdist", "randomly", "cacheprovider", "hypothesispytest", "html", "metadata"):
        command += ["-p", f"no:{plugin}"]
    return subprocess.run(
        [*command, *arguments],
        cwd=ROOT,
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
