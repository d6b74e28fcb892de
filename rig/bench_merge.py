"""A calibration put into a bench file, which otherwise stays as it was written."""

from __future__ import annotations

import re
from collections.abc import Sequence

import msgspec

from rig.calibration import CalibrationError
from rig.record.bench_fault import BadFileError
from rig.record.bench_file import Calibration
from rig.record.loaders import parse_bench
from rig.record.toml_file import quoted

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-\"' ]+?)\s*\]\]?\s*(#.*)?$")


def calibration_table(record: Calibration) -> str:
    """Give the ``[striker.calibration]`` table as it stands in a bench file."""
    lines = ["[striker.calibration]"]
    for name, value in msgspec.structs.asdict(record).items():
        if value is None or value in ("", ()):
            continue
        if isinstance(value, str):
            lines.append(f"{name} = {quoted(value)}")
        elif isinstance(value, tuple):
            figures = [f"{figure:.10g}" for figure in value]
            rows = [", ".join(figures[k : k + 8]) for k in range(0, len(figures), 8)]
            lines += [f"{name} = [", *(f"    {row}," for row in rows), "]"]
        else:
            lines.append(f"{name} = {value:.10g}")
    return "\n".join(lines) + "\n"


def merged_bench(bench_text: str, striker_id: str, record: Calibration) -> str:
    """Put a calibration into the text of a bench file; every other line stays as it was.

    Parameters
    ----------
    bench_text
        A whole bench file.
    striker_id
        Striker that was calibrated; an earlier table of it is replaced.
    record
        What was found.

    Raises
    ------
    CalibrationError
        The file is written in a way that it can't be put into; the sentence holds the table.
    """
    table = calibration_table(record)
    before = parse_bench(bench_text, "bench file")
    place = [one.id for one in before.strikers].index(striker_id)
    newline = "\r\n" if "\r\n" in bench_text else "\n"
    lines = bench_text.splitlines(keepends=True)
    start, stop = _place_for(lines, place)
    head, tail = "".join(lines[:start]), "".join(lines[stop:])
    if head and not head.endswith(("\n", "\r")):
        head += newline
    gap = "" if start != stop or not head.strip() else newline
    after = newline if tail.strip() and tail.splitlines()[0].strip() else ""
    merged = head + gap + table.replace("\n", newline) + after + tail
    wanted = msgspec.structs.replace(
        before,
        strikers=tuple(
            msgspec.structs.replace(one, calibration=record) if one.id == striker_id else one
            for one in before.strikers
        ),
    )
    try:
        whole = parse_bench(merged, "bench file with the calibration") == wanted
    except BadFileError:
        whole = False
    if not whole:
        raise CalibrationError(
            "the calibration can't be put into the bench file by itself, since its strikers are "
            f"not written as [[striker]] tables. Put this under striker {striker_id!r} by hand:\n"
            + table
        )
    return merged


def _place_for(lines: Sequence[str], striker: int) -> tuple[int, int]:
    """Lines that the table takes the place of: an earlier one, or nothing after the striker."""
    count, own, old = -1, False, None
    last = len(lines)
    for number, line in enumerate(lines):
        header = _HEADER.match(line.rstrip("\r\n"))
        if header is None:
            continue
        name = re.sub(r"[\s\"']", "", header[2])
        if old is not None or (own and not name.startswith("striker.")):
            last = number
            break
        if name == "striker" and header[1] == "[[":
            if own:
                last = number
                break
            count += 1
            own = count == striker
        elif own and name == "striker.calibration":
            old = number
    # blank lines and comments before the next header belong to it
    stop = last
    while stop > 0 and (not lines[stop - 1].strip() or lines[stop - 1].lstrip().startswith("#")):
        stop -= 1
    return (stop if old is None else old), stop
