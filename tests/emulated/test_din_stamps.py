"""Stamps of the emulated controller: DIN start bits and hits, and a burst under full load.

31,250 baud and ten bits a byte: MIDI 1.0, hardware (IEC 63035:2017 section 4.1).
"""

from __future__ import annotations

import random

import pytest
from board_process import CYCLES_PER_TICK, TICKS_PER_MS, BoardProcess

from rig.link.messages import EventKind, Refusal, State

BYTE_CYCLES = 5120


def test_single_bytes(avr_board: BoardProcess) -> None:
    """Bytes of any value, at any phase, after any pause: stamped to 2 ticks at the start bit."""
    avr_board.boot()
    draw = random.Random(5)
    sent = []
    cycle = avr_board.cycle + 10_000
    for value in [0x00, 0xFF, 0x55, 0xAA, 0x90, 0x26, 0x7F] * 10:
        cycle += BYTE_CYCLES + draw.choice([0, 7, 300, 5000, 500_000 + draw.randrange(30_000)])
        sent.append((value, cycle))
        avr_board.din(cycle, bytes([value]))
    avr_board.run_cycles(cycle - avr_board.cycle + 20_000)
    got = [event for event in avr_board.poll() if event.kind == EventKind.DIN_BYTE]
    assert [event.value for event in got] == [value for value, _ in sent]
    errors = [
        (avr_board.cycle_of(event.ticks) - cycle) / CYCLES_PER_TICK
        for event, (_, cycle) in zip(got, sent, strict=True)
    ]
    print(f"{len(got)} bytes: stamp errors {min(errors):.2f} to {max(errors):.2f} ticks")
    assert max(map(abs, errors)) <= 2


def burst_under_load(board: BoardProcess, strokes: int, rate_per_s: int) -> tuple[int, float]:
    """A burst with the DIN line busy throughout; DIN bytes taken, worst stamp error in ticks."""
    gap = 2_000_000 // rate_per_s
    board.make_armed()
    start = board.now + 200 * TICKS_PER_MS
    strikes = [(start + i * gap, 9000 + i % 7, i % 2) for i in range(strokes)]
    loaded = min(250, strokes)
    assert board.load(*strikes[:loaded]) is Refusal.DONE
    assert board.do("begin", strokes) == Refusal.DONE
    din_cycle = board.cycle_of(start)
    sent = 0
    worst = 0.0
    kept = 0
    while board.state == State.STRIKING:
        while din_cycle < board.cycle + 200 * 16_000:
            chunk = bytes((sent + i) % 256 for i in range(32))
            board.din(din_cycle, chunk)
            din_cycle += 32 * BYTE_CYCLES
            sent += 32
        board.run_ms(5)
        for event in board.poll():
            if event.kind == EventKind.DIN_BYTE:
                assert event.value == kept % 256
                true = board.cycle_of(start) + kept * BYTE_CYCLES
                worst = max(worst, abs(board.cycle_of(event.ticks) - true) / CYCLES_PER_TICK)
                kept += 1
        if loaded < strokes and board.ask("status").fields["queue_free"] >= 40:
            reply = board.load_reply(*strikes[loaded : loaded + 33])
            assert reply.fields["refusal"] == Refusal.DONE, reply
            loaded += reply.fields["accepted"]
    while board.cycle < din_cycle + 32_000:
        board.run_ms(20)
        board.poll()
    board.poll()  # the last answer was made before its line was through
    made = sorted(board.pulses(0) + board.pulses(1))
    assert [(cycle - board.cycle_of(0)) / CYCLES_PER_TICK for cycle, _ in made] == [
        ticks for ticks, _, _ in strikes
    ]
    assert [width / CYCLES_PER_TICK for _, width in made] == [width for _, width, _ in strikes]
    kinds = [event.kind for event in board.events]
    assert kinds.count(EventKind.COIL_ON) == kinds.count(EventKind.COIL_OFF) == strokes
    assert kinds.count(EventKind.BURST_END) == 1
    assert kinds.count(EventKind.TRIP) == kinds.count(EventKind.DIN_ERROR) == 0
    assert kinds.count(EventKind.DIN_BYTE) == sent
    assert board.ask("status").fields["dropped_events"] == 0
    assert board.overruns == []
    return sent, worst


def test_burst_with_busy_midi(avr_board: BoardProcess) -> None:
    """200 strokes at 50 a second with DIN bytes back to back: no event lost, each pulse exact."""
    sent, worst = burst_under_load(avr_board, 200, 50)
    print(f"200 strokes, {sent} DIN bytes back to back: worst stamp error {worst:.2f} ticks")
    assert worst <= 2


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_soak(avr_board: BoardProcess) -> None:
    """100,000 strokes at 50 a second with DIN bytes back to back, in bursts: as the short run."""
    for _ in range(20):
        avr_board.command("reset 1 0")
        avr_board.edges.clear()
        avr_board.events.clear()
        sent, worst = burst_under_load(avr_board, 5000, 50)
        print(f"5000 strokes, {sent} DIN bytes: worst stamp error {worst:.2f} ticks")
        assert worst <= 2


def test_hits_are_stamped(avr_board: BoardProcess) -> None:
    """Hits on the pickup are stamped to 2 ticks; the ringing after one is no further hit."""
    avr_board.boot()
    cycles = []
    cycle = avr_board.cycle + 10_000
    for index in range(40):
        cycle += 50_000 + 1237 * index
        cycles.append(cycle)
        for ring in range(3):
            avr_board.input("impact", 1, cycle + 3000 * ring)
            avr_board.input("impact", 0, cycle + 3000 * ring + 900)
    avr_board.run_cycles(cycle - avr_board.cycle + 50_000)
    stamps = [event.ticks for event in avr_board.poll() if event.kind == EventKind.IMPACT]
    assert len(stamps) == len(cycles)
    errors = [
        (avr_board.cycle_of(stamp) - true) / CYCLES_PER_TICK
        for stamp, true in zip(stamps, cycles, strict=True)
    ]
    print(f"40 hits: stamp errors {min(errors):.2f} to {max(errors):.2f} ticks")
    assert max(map(abs, errors)) <= 2
