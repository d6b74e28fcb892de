"""What can be said of the sources without running them."""

from __future__ import annotations

from pathlib import Path

import builds
import misra_list


def test_cppcheck_is_clean(tmp_path: Path) -> None:
    """Cppcheck finds nothing in the core, nor in the board's and the host's part."""
    builds.need("cppcheck", "make")
    builds.make(str(tmp_path / "message_table.h"), tmp_path)
    where = [f"-I{tmp_path}", f"-I{builds.FIRMWARE / 'core'}"]
    checks = ["--enable=warning,style,performance,portability", "--std=c11", "--error-exitcode=1"]
    quiet = ["--quiet", "--inline-suppr", "--suppress=missingIncludeSystem"]
    for platform, parts in (("avr8", ("core", "atmega2560")), ("unix64", ("core", "host"))):
        folders = [str(builds.FIRMWARE / part) for part in parts]
        builds.run(["cppcheck", *quiet, *checks, f"--platform={platform}", *where, *folders])


def test_memory_is_enough(tmp_path: Path) -> None:
    """The build says what flash and RAM it takes; RAM leaves at least 1 KiB to the stack."""
    builds.avr_build(tmp_path)
    text = builds.run(["avr-size", "-A", str(tmp_path / "strikebench.elf")])
    rows = [row for row in map(str.split, text.splitlines()) if row and row[0].startswith(".")]
    sizes = {row[0]: int(row[1]) for row in rows}
    ram = sum(sizes.get(part, 0) for part in (".data", ".bss", ".noinit"))
    flash = sizes[".text"] + sizes[".data"]
    print(f"flash {flash} of 262144 bytes, RAM {ram} of 8192 bytes")
    assert 0 < ram <= 8192 - 1024
    assert 0 < flash <= 262144


def test_no_dynamic_memory_and_no_floating_point() -> None:
    """Core and board use no allocator and no floating point; the core touches no register."""
    for part in ("core", "atmega2560"):
        for source in sorted((builds.FIRMWARE / part).glob("*.[ch]")):
            text = source.read_text()
            for word in ("malloc", "calloc", "alloca", "float ", "double "):
                assert word not in text, f"{source.name}: {word}"
            assert part != "core" or "avr/" not in text, source.name


def test_misra_findings_are_explained(tmp_path: Path) -> None:
    """Each finding of the MISRA C:2012 add-on is on the page with its reason, and no other is."""
    found, listed = misra_list.findings(tmp_path), misra_list.explained()
    assert sum(found.values()) > 0
    assert found - listed == {}, "found, not explained"
    assert listed - found == {}, "explained, not found"
