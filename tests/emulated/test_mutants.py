"""Faults put into copies of the firmware: a named test catches each of them."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import builds
import pytest


@dataclasses.dataclass(frozen=True)
class Mutant:
    """One fault: in ``file``, ``old`` becomes ``new``; ``test`` must fail on it."""

    name: str
    file: str
    old: str
    new: str
    test: str
    also: tuple[tuple[str, str], ...] = ()
    """Further such changes, where several means guard against the same."""


HERE = "tests/emulated"
MUTANTS = [
    Mutant(
        "stop writes the port alone",
        "atmega2560/outputs.c",
        '"push r24\\n\\t" ALL_OFF "pop r24\\n\\tjmp __vector_guard_rest"',
        '"push r24\\n\\tldi r24, 0\\n\\tsts %[pl], r24\\n\\tsts %[ph], r24\\n\\t"\n'
        '"pop r24\\n\\tjmp __vector_guard_rest"',
        f"{HERE}/test_estop.py::test_interlock_ends_a_pulse[guard-2]",
    ),
    Mutant(
        "release connected without its end",
        "atmega2560/outputs.c",
        "TCCR4A = others4 | (COM_CLEAR & COM_MASK_##letter); ",
        "TCCR4A = others4 | (COM_SET & COM_MASK_##letter); ",
        f"{HERE}/test_hang_and_reset.py::test_a_hang_does_not_prolong_a_pulse[-20-2000]",
    ),
    Mutant(
        "compare value one tick off",
        "atmega2560/outputs.c",
        "uint16_t end = start + width_ticks;",
        "uint16_t end = start + width_ticks + 1U;",
        f"{HERE}/test_pulses.py::test_width_and_start_are_exact",
    ),
    Mutant(
        "no watchdog",
        "atmega2560/main.c",
        "wdt_enable(WDTO_15MS);",
        "",
        f"{HERE}/test_hang_and_reset.py::test_a_hang_does_not_prolong_a_pulse[1-60000]",
    ),
    Mutant(
        "a long interrupt",
        "atmega2560/stamps.c",
        "    sei(); /* what interrupts share",
        "    __builtin_avr_delay_cycles(150);\n    sei(); /* what interrupts share",
        f"{HERE}/test_estop.py::test_interlock_ends_a_pulse[estop-1]",
    ),
    Mutant(
        "DIN stamps reckoned from the interrupt",
        "atmega2560/stamps.c",
        "        start = note->edge;\n",
        "",
        f"{HERE}/test_din_stamps.py::test_burst_with_busy_midi",
    ),
    Mutant(
        "short openings are not kept",
        "atmega2560/outputs.c",
        "    opened |= input;\n",
        "    (void)input;\n",
        f"{HERE}/test_estop.py::test_a_short_opening_trips",
    ),
    Mutant(
        "no latch is cleared, by a stop nor after it",
        "atmega2560/outputs.c",
        '    "sts %[c5], r24\\n\\t"',
        '    "nop\\n\\t"',
        f"{HERE}/test_estop.py::test_a_pulse_after_a_stop_is_whole",
        also=tuple(
            (f"1U << FOC5##letter;{' ' * 60}\\\n{after}", f"0U;\\\n{after}")
            for after in ("        OCR4", "        TCCR5A")
        ),
    ),
    Mutant(
        "the queue wraps one too late",
        "core/strikes.c",
        "if (at >= HARD_QUEUE_LENGTH) {",
        "if (at > HARD_QUEUE_LENGTH) {",
        f"{HERE}/conformance/test_strikes.py",
    ),
    Mutant(
        "current is looked at between answers alone",
        "core/strikes.c",
        "if (pulses_note_current()) {",
        "if (pulses_note_current() && false) {",
        f"{HERE}/test_trip_times.py::test_time_to_coils_off[on_time]",
    ),
    Mutant(
        "a silent host is forgiven",
        "core/machine.c",
        "board.silent_ms++;",
        "board.silent_ms = 0;",
        f"{HERE}/test_hang_and_reset.py::test_a_silent_host_stops_the_burst",
    ),
    Mutant(
        "a trip is reset with its cause there",
        "core/machine.c",
        "    if (cause_remains()) {",
        "    if (false && cause_remains()) {",
        f"{HERE}/test_core.py::test_current_that_stays_trips_on_time",
    ),
    Mutant(
        "heat is not added",
        "core/heat.c",
        "hal_kept()->heat[coil] += width;",
        "(void)coil; (void)width;",
        f"{HERE}/test_hang_and_reset.py::test_heat_survives_a_reset",
    ),
    Mutant(
        "lateness hides an open interlock",
        "core/strikes.c",
        "    machine_look();\n",
        "",
        f"{HERE}/test_estop.py::test_interlock_ends_a_pulse[estop-1]",
    ),
    Mutant(
        "a dry queue is not noticed",
        "core/strikes.c",
        "(burst.lacking > 0U)",
        "(burst.lacking > 9999U)",
        f"{HERE}/conformance/test_strikes.py",
    ),
    Mutant(
        "current that stays is not noticed",
        "core/pulses.c",
        "#define SETTLE_TICKS 10000L",
        "#define SETTLE_TICKS 2000000000L",
        f"{HERE}/test_core.py::test_current_that_stays_trips_on_time",
    ),
    Mutant(
        "a repeat is done again",
        "core/core.c",
        "if ((seq == 0U) || (seq != link.last_seq)) {",
        "if ((seq != 255U) || (link.last_seq != 0U)) {",
        f"{HERE}/conformance/test_wire.py",
    ),
    Mutant(
        "checksums are not looked at",
        "core/frame.c",
        "if (frame_crc(0xFFFFU, reader->content, reader->length) == 0U) {",
        "if (frame_crc(0xFFFFU, reader->content, reader->length) != 1U) {",
        f"{HERE}/conformance/test_wire.py",
    ),
    Mutant(
        "limits are not clamped",
        "core/limits.c",
        "return (value < most) ? value : most; }",
        "return (value < most) ? value : value; }",
        f"{HERE}/conformance/test_states.py",
    ),
]


@pytest.mark.parametrize("mutant", MUTANTS, ids=[mutant.name for mutant in MUTANTS])
def test_mutant_is_caught(mutant: Mutant, avr_command: list[str], tmp_path: Path) -> None:
    """The named test fails on the fault, by a failed check and not by a failed build."""
    builds.need("avr-gcc", "gcc", "make", "/usr/include/simavr/sim_avr.h", "/usr/include/libelf.h")
    firmware = tmp_path / "firmware"
    shutil.copytree(builds.FIRMWARE, firmware, ignore=shutil.ignore_patterns("build"))
    source = firmware / mutant.file
    text = source.read_text()
    for old, new in ((mutant.old, mutant.new), *mutant.also):
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    source.write_text(text)
    only = ["-k", "host"] if mutant.test.endswith(".py") else []
    done = builds.pytest_within(
        [mutant.test, *only], STRIKEBENCH_FIRMWARE=str(firmware), STRIKEBENCH_HARNESS=avr_command[0]
    )
    assert done.returncode == 1, f"not caught:\n{done.stdout}{done.stderr}"
    assert "1 failed" in done.stdout, done.stdout
    assert "ERROR " not in done.stdout, done.stdout
