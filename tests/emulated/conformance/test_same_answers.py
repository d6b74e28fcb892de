"""The simulated board and the firmware's core, put to the same random requests and mishaps.

What one answers, the other answers: refusals, states, trips, and the pulses that came of it.
Requests begin on a grid of 10 ms of the boards' own clocks and take a few; pulses begin and end in
its other half, so that nothing hangs on how long a board takes to answer.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from board_process import BoardProcess
from targets import MS, LockstepTarget, Target, TwinTarget

from rig.link.messages import LONE_MARKER, State

STEPS = 150
COIL = (20_000, 30_000, 20_000, 300_000)
GRID = 10 * MS


def loads(draw: random.Random) -> list[tuple[int, int, int]]:
    """Strikes, some of them impossible: (grid steps from now, width, coil)."""
    at = draw.choice([-5, 4, 6, 6, 6, 20, 350])
    strikes = []
    for _ in range(draw.randrange(1, 12)):
        width = draw.choice([0, 400, 5000, 20_000, 20_001]) if draw.random() < 0.2 else 6000
        coil = draw.choice([2, LONE_MARKER]) if draw.random() < 0.1 else draw.randrange(2)
        strikes.append((at, width, coil))
        at += draw.choice([-1, 0, 1]) if draw.random() < 0.15 else draw.randrange(2, 5)
    return strikes


def recover(target: Target) -> object:
    """What a person does after a trip, all the way to armed."""
    for name, level in (("estop", 1), ("guard", 1), ("supply", 24_000)):
        target.input(name, level)
    target.wait_s(0.1)
    said = [target.do("reset_trip")]
    target.agree(coils=[COIL, COIL], horizon_ms=3000)
    return [*said, target.do("ready"), target.do("arm", 5005)]


def step(draw: random.Random) -> Callable[[Target], object]:
    """One thing to do; it gives what the board says to it."""
    kind = draw.random()
    if kind < 0.3:
        strikes = loads(draw)
        count = len(strikes) + draw.choice([0, 0, 0, 0, 1, -1])

        def strike(target: Target) -> object:
            zero = target.now // GRID * GRID + GRID // 2
            loaded = target.load(*((zero + at * GRID, width, coil) for at, width, coil in strikes))
            return loaded, target.do("begin", max(count, 1))

        return strike
    if kind < 0.6:
        name, *values = draw.choice(
            [("ready",), ("ready",), ("arm", 5005), ("arm", 5005), ("arm", 5005), ("disarm",)]
            + [("reset_trip",)] * 4
            + [("begin", 3), ("arm", 0)]
        )
        return lambda target: target.do(name, *values)
    if kind < 0.7:
        return lambda target: target.agree(coils=[COIL, COIL], horizon_ms=3000)
    if kind < 0.8:
        name, level = draw.choice(
            [("estop", 0), ("guard", 0), ("supply", 9500)]
            + [("estop", 1), ("guard", 1), ("supply", 24_000)] * 2
        )
        return lambda target: (target.input(name, level), target.run_s(0.025))
    if kind < 0.92:
        return recover
    if kind < 0.94:
        silence_s = draw.choice([0.15, 0.9])
        return lambda target: target.run_s(silence_s)
    wait_s = draw.choice([0.1, 0.1, 0.4])
    return lambda target: target.wait_s(wait_s) and None


def level_up(*targets: Target) -> None:
    """The twin answers at once, the core takes its time: on to the next common grid point."""
    now = [target.now for target in targets]
    grid = (max(now) + 2 * MS) // GRID * GRID + GRID
    for target, ticks in zip(targets, now, strict=True):
        target.run_s((grid - ticks) / 2e6)


@pytest.mark.parametrize("seed", range(24))
def test_simulated_board_and_firmware_answer_alike(seed: int, host_program: Path) -> None:
    """150 random steps: every refusal, state, trip and pulse is the same."""
    twin, core = TwinTarget(), LockstepTarget(BoardProcess([str(host_program)]))
    draw = random.Random(seed)
    struck = 0
    seen = set()
    try:
        for target in (twin, core):
            target.boot()
            target.agree(coils=[COIL, COIL], horizon_ms=3000)
            target.do("ready")
            target.do("arm", 5005)
        for number in range(STEPS):
            act = step(draw)
            level_up(twin, core)
            said = [act(target) for target in (twin, core)]
            assert said[0] == said[1], f"step {number}"
            level_up(twin, core)
            standings = [target.standing() for target in (twin, core)]
            names = ["state", "trip_code", "interlocks"]
            if standings[0]["state"] != State.STRIKING:
                names += ["queue_free", "strikes_left"]
            for name in names:
                assert standings[0][name] == standings[1][name], f"step {number}, {name}"
            seen.add(State(standings[0]["state"]))
            twin.wait_s(0.06)
            core.wait_s(0.06)
        for coil in (0, 1):
            widths = [[width for _, width in target.pulses(coil)] for target in (twin, core)]
            assert widths[0] == pytest.approx(widths[1], abs=2 * MS)
            struck += len(widths[0])
    finally:
        core.close()
    assert struck > 10
    assert {State.TRIPPED, State.ARMED, State.STRIKING} <= seen
