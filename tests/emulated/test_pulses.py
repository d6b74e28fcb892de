"""Pulses of the emulated controller: width, start and skew, in processor cycles of 62.5 ns.

Levels are derived from the registers, as ``harness/coil_model.h`` says; the compare unit's
behaviour is the datasheet's, from memory.
"""

from __future__ import annotations

import itertools

import pytest
from board_process import CYCLES_PER_TICK, MARKER, TICKS_PER_MS, BoardProcess

from rig.link.messages import MARKERS_US, EventKind, Refusal, State

WIDTHS_TICKS = [
    60,
    61,
    100,
    255,
    256,
    257,
    1000,
    4001,
    10_000,
    32_767,
    32_768,
    40_000,
    59_999,
    60_000,
]


def test_width_and_start_are_exact(avr_board: BoardProcess) -> None:
    """Each pulse from 30 us to 30 ms starts on its tick and is as wide as asked, to the cycle."""
    avr_board.make_armed()
    start = avr_board.now + 40 * TICKS_PER_MS
    strikes = []
    for index, width in enumerate(WIDTHS_TICKS * 4):
        strikes.append((start, width, index % 2))
        start += 40 * TICKS_PER_MS + 37 * index
    for at in range(0, len(strikes), 33):
        assert avr_board.load(*strikes[at : at + 33]) is Refusal.DONE
    assert avr_board.do("begin", len(strikes)) == Refusal.DONE
    while avr_board.state == State.STRIKING:
        avr_board.run_ms(200)
        avr_board.poll()
    made = sorted(avr_board.pulses(0) + avr_board.pulses(1))
    width_errors = [
        have - width * CYCLES_PER_TICK
        for (_, have), (_, width, _) in zip(made, strikes, strict=True)
    ]
    start_errors = [
        cycle - avr_board.cycle_of(ticks)
        for (cycle, _), (ticks, _, _) in zip(made, strikes, strict=True)
    ]
    print(f"{len(made)} pulses: width errors {set(width_errors)}, start errors {set(start_errors)}")
    assert set(width_errors) == {0}
    assert max(map(abs, start_errors)) <= CYCLES_PER_TICK
    stamps = [event.ticks for event in avr_board.events if event.kind == EventKind.COIL_ON]
    assert stamps == [ticks for ticks, _, _ in strikes]


@pytest.mark.parametrize("apart_ticks", [600, 601, 1000, 1007, 4000, 20_000])
def test_skew_of_two_coils(avr_board: BoardProcess, apart_ticks: int) -> None:
    """Two coils struck shortly after one another are apart as asked, to the cycle."""
    avr_board.make_armed()
    start = avr_board.now + 20 * TICKS_PER_MS
    avr_board.load((start, 6000, 0), (start + apart_ticks, 6000, 1))
    assert avr_board.do("begin", 2) == Refusal.DONE
    avr_board.run_ms(50)
    ((first, _),) = avr_board.pulses(0)
    ((second, _),) = avr_board.pulses(1)
    assert second - first == apart_ticks * CYCLES_PER_TICK


def test_marker_goes_with_its_coil(avr_board: BoardProcess) -> None:
    """The marker's edge is its coil's, its width names it; all stand as close as allowed."""
    avr_board.make_armed()
    start = avr_board.now + 20 * TICKS_PER_MS
    rest_ticks = 200
    strikes = []
    for coil in (255, 255, 0, 1, 255):
        strikes.append((start, 3000, coil))
        name = "alone" if coil == 255 else f"coil_{coil}"
        start += MARKERS_US[name] * 2 + rest_ticks
    avr_board.load(*strikes)
    assert avr_board.do("begin", len(strikes)) == Refusal.DONE
    avr_board.run_ms(50)
    markers = avr_board.pulses(MARKER)
    assert [cycle for cycle, _ in markers] == [avr_board.cycle_of(t) for t, _, _ in strikes]
    assert [width // 16 for _, width in markers] == [800, 800, 200, 400, 800]
    assert [avr_board.pulses(coil)[0][0] for coil in (0, 1)] == [markers[2][0], markers[3][0]]


def test_nothing_moves_outside_a_burst(avr_board: BoardProcess) -> None:
    """Loading alone strikes nothing, and neither does disarming a loaded queue."""
    avr_board.make_armed()
    start = avr_board.now + 5 * TICKS_PER_MS
    avr_board.load((start, 3000, 0))
    avr_board.run_ms(20)
    assert avr_board.do("disarm") == Refusal.DONE
    avr_board.run_ms(40)
    assert avr_board.edges == []


def test_edges_alternate(avr_board: BoardProcess) -> None:
    """No output is ever reported on twice without an off between: the model itself is sound."""
    avr_board.make_armed()
    start = avr_board.now + 20 * TICKS_PER_MS
    avr_board.load(*[(start + i * 12_000, 2000, i % 2) for i in range(20)])
    assert avr_board.do("begin", 20) == Refusal.DONE
    avr_board.run_ms(200)
    for output in (0, 1, MARKER):
        levels = [edge.level for edge in avr_board.edges if edge.output == output]
        assert levels
        assert all(a != b for a, b in itertools.pairwise(levels))
