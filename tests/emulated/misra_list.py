"""What cppcheck's MISRA C:2012 add-on finds, and what ``MISRA.md`` explains: rule, file, function."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import builds

PAGE = builds.FIRMWARE / "MISRA.md"
Findings = Counter[tuple[str, str, str]]


def function_at(lines: list[str], number: int) -> str:
    """The function that line ``number`` (from 1) stands in; ``-`` outside of any."""
    for line in reversed(lines[:number]):
        if line.startswith("#define") and (line is lines[number - 1] or line.endswith("\\")):
            return line.split()[1].split("(")[0]
        if line.startswith("#"):
            return "-"
        if line.startswith("}") and line is not lines[number - 1]:
            return "-"
        if line[:1].isalpha() and "(" in line and not line.rstrip().endswith(";"):
            head = line.split("(")[1 if line.startswith("ISR") else 0]
            return re.findall(r"\w+", head)[0 if line.startswith("ISR") else -1]
    return "-"


def findings(folder: Path) -> Findings:
    """Run the add-on over core and board, without the rules' licensed texts."""
    builds.need("cppcheck", "make")
    builds.make(str(folder / "message_table.h"), folder)
    where = [f"-I{folder}", f"-I{builds.FIRMWARE / 'core'}", "--suppress=missingIncludeSystem"]
    checks = ["--addon=misra", "--enable=style", "--std=c11", "--platform=avr8", "--quiet"]
    checks.append(f"--cppcheck-build-dir={folder}")
    parts = [str(builds.FIRMWARE / part) for part in ("core", "atmega2560")]
    text = builds.run(["cppcheck", *checks, *where, "--template={file}|{line}|{id}", *parts])
    found: Findings = Counter()
    # a header is reported once for each file that includes it
    for row in sorted(set(filter(None, text.splitlines()))):
        file, line, name = row.split("|")
        path = Path(file)
        function = function_at(path.read_text().splitlines(), int(line))
        made = path.parent == folder
        file = path.name if made else str(path.relative_to(builds.FIRMWARE))
        found[(name.removeprefix("misra-c2012-"), file, function)] += 1
    return found


def explained() -> Findings:
    """What the page lists: rows of rule, and places ``file: function 2, other; file: ...``."""
    listed: Findings = Counter()
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        if len(cells) != 3 or not re.fullmatch(r"\d+\.\d+", cells[0]):
            continue
        assert cells[1], f"rule {cells[0]} is not explained"
        for group in cells[2].split("; "):
            file, _, functions = group.partition(": ")
            for entry in functions.split(", "):
                function, _, count = entry.partition(" ")
                listed[(cells[0], file, function)] += int(count or 1)
    return listed


def places(found: Findings, rule: str) -> str:
    """The places of one rule, as the page writes them."""
    by_file: dict[str, list[str]] = {}
    for (name, file, function), count in sorted(found.items()):
        if name == rule:
            by_file.setdefault(file, []).append(function + (f" {count}" if count > 1 else ""))
    return "; ".join(f"{file}: {', '.join(entries)}" for file, entries in by_file.items())
