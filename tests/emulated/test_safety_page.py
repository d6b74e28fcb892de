"""The safety page's table against the message table, the rules, and the tests that it names."""

from __future__ import annotations

import re
from pathlib import Path

from safety_page import PAGE, rows

from rig.link.messages import BOARD_RULES, HARD_LIMITS, Trip

HERE = Path(__file__).parent


def test_every_trip_has_a_row() -> None:
    """The table has one row for each trip of the message table, in its order, and no other."""
    assert list(rows()) == [trip.name.lower() for trip in Trip if trip]


def test_every_row_is_whole() -> None:
    """Each row says what is sensed, the reaction, the worst time, the reset and the test."""
    assert all(len(row) == 5 and all(row) for row in rows().values())


def test_the_named_tests_are_there() -> None:
    """Tests that the table names are there; each trip has one that is put to all three boards."""
    for trip, row in rows().items():
        named = row[4].split(", ")
        assert any(name.startswith("conformance/") for name in named), trip
        for name in named:
            file, _, function = name.partition("::")
            text = (HERE / file).read_text(encoding="utf-8")
            assert re.search(rf"^def {function}\b", text, re.MULTILINE), name


def test_every_time_is_measured() -> None:
    """A worst time is one measured, or the reaction comes before anything is struck."""
    for trip, row in rows().items():
        before = row[2].startswith(("before the pulse", "at once"))
        assert before or ("allowed" in row[2] and "measured" in row[2]), trip


def test_figures_are_those_in_force() -> None:
    """Debounce, floods, watchdog and hard limits stand in the page as the board has them."""
    sensed = {trip: " ".join(row) for trip, row in rows().items()}
    assert f"closed {BOARD_RULES['close_debounce_ms']} ms" in sensed["estop_open"]
    assert f"for {BOARD_RULES['supply_debounce_ms']} ms" in sensed["supply"]
    assert f"more than {BOARD_RULES['crc_flood_per_s']} bad" in sensed["crc_flood"]
    assert f"more than {BOARD_RULES['frame_flood_per_s']} good" in sensed["frame_flood"]
    assert f"watchdog, {BOARD_RULES['watchdog_ms']} ms" in sensed["program_hang"]
    assert f"at most {HARD_LIMITS['host_silence_ms'] // 1000} s" in sensed["host_silent"]
    pulse_ms = HARD_LIMITS["longest_pulse_ticks"] // 2000
    gap_ms = HARD_LIMITS["least_gap_ticks"] // 2000
    assert f"{pulse_ms} ms a pulse, {gap_ms} ms from start to start" in PAGE


def test_queue_length_is_the_one_in_force() -> None:
    """The page on the board says how many strikes can be loaded whole, and how many coils there are."""
    page = (HERE.parents[1] / "rig" / "link" / "BOARD.md").read_text(encoding="utf-8")
    assert f"The queue holds {HARD_LIMITS['queue_length']} strikes" in page
    assert HARD_LIMITS["coil_count"] == 2
    assert "two coils" in page


def test_noise_table_follows_its_formula() -> None:
    """Exposure times are NIOSH's: T = 480 / 2^((L - 85) / 3) minutes (publication 98-126)."""
    found = re.search(
        r"85 dBA (\d+) h, 88 (\d+) h, 91 (\d+) h, 94 (\d+) min, 97 (\d+), 100 (\d+)", PAGE
    )
    assert found
    minutes = [int(found[1]) * 60, int(found[2]) * 60, int(found[3]) * 60]
    minutes += [int(found[4]), int(found[5]), int(found[6])]
    levels_dba = (85, 88, 91, 94, 97, 100)
    assert minutes == [round(480 / 2 ** ((level - 85) / 3)) for level in levels_dba]


def test_no_conformity_is_claimed() -> None:
    """The page defers to local codes and licensed practice, and claims no conformity."""
    assert "nothing here claims" in PAGE
    assert "licensed" in PAGE
    for claim in ("complies with", "conforms to IEC", "certified to", "CE mark"):
        assert claim not in PAGE
