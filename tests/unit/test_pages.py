"""The pages that people read say what the program does: each name of theirs exists, and the reverse."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import msgspec
import pytest

from analysis.decide import Verdict, decide
from analysis.measure import UNITS, Measure
from analysis.measures import to_json
from rig.cli.main import COMMANDS
from rig.record import run_records
from rig.record.event_log import EVENT_KINDS
from rig.record.measure_names import MEASURE_UNITS
from rig.record.protocol import Limit
from rig.record.run_records import AudioFacts, StartRecord, StopRecord, Stream
from rig.runner import FAULT_FILE

ROOT = Path(__file__).parents[2]


def page(place: str) -> str:
    """A page's text."""
    return (ROOT / place).read_text(encoding="utf-8")


def names(text: str) -> set[str]:
    """What stands between backticks."""
    return {word for piece in re.findall(r"`([^`\n]+)`", text) for word in piece.split()}


def section(text: str, heading: str) -> str:
    """What stands below a heading of the second level."""
    return text.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def test_every_measure_is_defined_and_no_other() -> None:
    """MEASURES.md defines each measure that a limit may ask for; each has a unit that is printed."""
    families = {name.split("_")[0] for name in MEASURE_UNITS}
    told = {name for name in names(page("protocols/MEASURES.md")) if name.split("_")[0] in families}
    assert told - {"confidence"} == set(MEASURE_UNITS)
    assert set(MEASURE_UNITS.values()) <= set(UNITS)


def test_units_of_the_measures_page_are_those_of_the_limits() -> None:
    """Where a row of MEASURES.md gives a unit, a limit's key ends in that unit."""
    rows = re.findall(r"^\| (`[^|]*`) \| ([^|`]+) \|", page("protocols/MEASURES.md"), re.MULTILINE)
    printed = {**UNITS, "count": "count", "ratio": "ratio"}
    found = 0
    for cell, unit in rows:
        for name in names(cell) | names(cell.replace(",", " ")):
            if name in MEASURE_UNITS and unit.strip() in printed.values():
                assert printed[MEASURE_UNITS[name]] == unit.strip(), name
                found += 1
    assert found >= 15


def test_measures_file_holds_what_its_page_says() -> None:
    """Keys of ``measures.json``, of a measure and of a decision are those of MEASURES.md."""
    measure = Measure(name="lost_share", unit="percent", value=1.0, low=0.5, high=2.0, count=200)
    limit = Limit(measure="lost_share", bound="at_most", value=5.0, unit="percent")
    record = to_json([measure], [decide(limit, measure)])
    table = section(page("protocols/MEASURES.md"), "`measures.json`")
    told = names(table)
    assert set(record) <= told
    assert set(record["measures"][0]) == {f.name for f in dataclasses.fields(Measure)} <= told
    assert set(record["decisions"][0]) <= told


def test_run_folder_page_names_every_file_field_and_event() -> None:
    """RUN_FOLDER.md holds all names of the run folder's records, and no event that isn't one."""
    text = page("rig/record/RUN_FOLDER.md")
    told = names(text)
    files = {value for value in vars(run_records).values() if isinstance(value, str)}
    files = {name for name in files if re.fullmatch(r"\w+\.(json|jsonl|toml|csv|wav)", name)}
    assert len(files) >= 8
    assert files | {FAULT_FILE} <= told
    for kind in (StartRecord, StopRecord, Stream, AudioFacts):
        assert {field.name for field in msgspec.structs.fields(kind)} <= told
    kinds = section(text, "events.jsonl").split("| kind |")[1]
    first_cells = re.findall(r"^\| (`[^|]*) \|", kinds, re.MULTILINE)
    assert {name for cell in first_cells for name in names(cell)} == EVENT_KINDS


@pytest.mark.parametrize("verdict", Verdict.__args__)
def test_every_verdict_is_explained(verdict: str) -> None:
    """README.md and MEASURES.md explain each word that a limit can get."""
    for place in ("README.md", "protocols/MEASURES.md"):
        assert re.search(rf"^\| {verdict} \|", page(place), re.MULTILINE)


def test_readme_names_every_command() -> None:
    """A command that README.md doesn't name is one that nobody finds."""
    text = page("README.md")
    missing = [n for n in COMMANDS if not re.search(rf"strikebench {n}\b|`{n}[` ]", text)]
    assert missing == []


def test_files_that_the_pages_name_exist() -> None:
    """Paths in the pages for users and developers are those of files and folders."""
    for place in ("README.md", "DEVELOPERS.md", "rig/record/RUN_FOLDER.md", "rig/link/BOARD.md"):
        for name in names(page(place)):
            if re.fullmatch(r"(rig|analysis|protocols|tests|\.ci)/[\w./]+", name):
                assert (ROOT / name).exists(), f"{place}: {name}"
