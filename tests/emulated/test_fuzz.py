"""Fuzzing the core with address and undefined-behaviour checks: no case breaks a promise."""

from __future__ import annotations

import re
from pathlib import Path

import builds
import pytest

SOURCE = Path(__file__).with_name("fuzz") / "fuzz_core.c"


def fuzz_build(build: Path) -> Path:
    """The fuzzing program."""
    builds.need("clang-14", "make")
    if not list(Path("/usr/lib/llvm-14/lib/clang").glob("*/lib/linux/libclang_rt.fuzzer-*")):
        pytest.skip("missing Debian package: libclang-rt-14-dev")
    builds.make(str(build / "message_table.h"), build)
    firmware = builds.FIRMWARE
    sources = [*sorted(firmware.glob("core/*.c")), firmware / "host" / "model.c", SOURCE]
    includes = [f"-I{folder}" for folder in (build, firmware / "core", firmware / "host")]
    flags = ["-std=c11", "-O1", "-g", "-fno-sanitize-recover=all"]
    checks = "-fsanitize=fuzzer,address,undefined"
    program = build / "fuzz_core"
    builds.run(["clang-14", *flags, checks, *includes, *map(str, sources), "-o", str(program)])
    return program


ARMED, LOAD, BEGIN, INPUT, WAIT = bytes([0]), bytes([1]), bytes([3]), bytes([4]), bytes([11, 255])
FOUR_STRIKES = bytes([4]) + bytes([90, 40, 0, 90, 60, 1, 90, 3, 3, 255, 200, 0])
SEEDS = [
    ARMED + LOAD + FOUR_STRIKES + BEGIN + bytes([4]) + WAIT * 3,
    ARMED
    + LOAD
    + FOUR_STRIKES
    + BEGIN
    + bytes([9])
    + bytes([11, 150])
    + LOAD
    + FOUR_STRIKES
    + WAIT,
    ARMED + LOAD + FOUR_STRIKES + BEGIN + bytes([4, 11, 130]) + INPUT + bytes([0, 0]) + WAIT,
    ARMED + LOAD + FOUR_STRIKES + BEGIN + bytes([4, 11, 125, 10, 255]) + WAIT * 3,
]
"""Scripts that get as far as striking, for the fuzzer to start from."""


def fuzz(build: Path, *limits: str) -> None:
    """Run it within limits; print how many cases ran."""
    corpus = build / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(SEEDS):
        (corpus / str(number)).write_bytes(seed)
    program = str(fuzz_build(build))
    text = builds.run([program, str(corpus), "-seed=7", "-max_len=400", *limits], cwd=build)
    counts = re.findall(r"#(\d+)\s+DONE\s+cov: (\d+)", text)
    assert counts, text
    print(f"{counts[-1][0]} cases, {counts[-1][1]} places reached")


def test_fuzz_shortly(tmp_path: Path) -> None:
    """Scripts of requests, noise and faults: no promise broken, no undefined behaviour."""
    fuzz(tmp_path, "-runs=1500")


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_fuzz_long(tmp_path: Path) -> None:
    """The same for an hour."""
    fuzz(tmp_path, "-max_total_time=3600")
