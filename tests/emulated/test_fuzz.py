"""Fuzzing the core with address and undefined-behaviour checks: no case breaks a promise."""

from __future__ import annotations

import re
from pathlib import Path

import builds
import pytest

SOURCES = Path(__file__).with_name("fuzz")


def fuzz_build(build: Path, name: str) -> Path:
    """The fuzzing program ``name``: the core on a bare link, or on the whole model of a board."""
    builds.need("clang-14", "make")
    if not list(Path("/usr/lib/llvm-14/lib/clang").glob("*/lib/linux/libclang_rt.fuzzer-*")):
        pytest.skip("missing Debian package: libclang-rt-14-dev")
    builds.make(str(build / "message_table.h"), build)
    firmware = builds.FIRMWARE
    sources = [*sorted(firmware.glob("core/*.c")), SOURCES / "requests.c", SOURCES / f"{name}.c"]
    if name == "fuzz_board":
        sources += [firmware / "host" / name for name in ("model.c", "outputs.c")]
    includes = [f"-I{folder}" for folder in (build, firmware / "core", firmware / "host", SOURCES)]
    flags = ["-std=c11", "-O1", "-g", "-fno-sanitize-recover=all"]
    checks = "-fsanitize=fuzzer,address,undefined"
    program = build / name
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


LINK_SEEDS = [
    bytes([1, kind << 1, len(body)]) + body
    for kind, body in [(1, b""), (8, bytes([1, 0, 32, 0, 0, 9, 0, 0])), (10, bytes(4))]
]


def fuzz(build: Path, name: str, *limits: str) -> None:
    """Run it within limits; print how many cases ran."""
    corpus = build / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(SEEDS if name == "fuzz_board" else LINK_SEEDS):
        (corpus / str(number)).write_bytes(seed)
    program = str(fuzz_build(build, name))
    text = builds.run([program, str(corpus), "-seed=7", "-max_len=400", *limits], cwd=build)
    counts = re.findall(r"#(\d+)\s+DONE\s+cov: (\d+)", text)
    assert counts, text
    print(f"{name}: {counts[-1][0]} cases, {counts[-1][1]} places reached")


@pytest.mark.parametrize(("name", "runs"), [("fuzz_link", 50_000), ("fuzz_board", 500)])
def test_fuzz_shortly(tmp_path: Path, name: str, runs: int) -> None:
    """Frames and requests; scripts of noise and faults: no promise broken, nothing undefined."""
    fuzz(tmp_path, name, f"-runs={runs}")


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize(
    ("name", "limit"),
    [("fuzz_link", "-runs=10000000"), ("fuzz_board", "-max_total_time=1800")],
)
def test_fuzz_long(tmp_path: Path, name: str, limit: str) -> None:
    """The same: ten million cases of frames and requests, half an hour of scripts."""
    fuzz(tmp_path, name, limit)
