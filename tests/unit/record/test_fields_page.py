"""The page of file fields names every field of the structs, and nothing else."""

from __future__ import annotations

import re
from pathlib import Path

import msgspec
from msgspec import inspect

from rig.record.bench_file import BenchFile
from rig.record.protocol import Limit, Protocol
from rig.record.specimen import Specimen

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "protocols" / "FIELDS.md").read_text()


def field_names(kind: type[msgspec.Struct]) -> set[str]:
    """Names of all keys of a file that hold a value."""
    names: set[str] = set()

    def walk(found: inspect.Type) -> None:
        if isinstance(found, inspect.UnionType):
            for one in found.types:
                walk(one)
        elif isinstance(found, inspect.VarTupleType):
            walk(found.item_type)
        elif isinstance(found, inspect.StructType):
            for field in found.fields:
                before = len(names)
                walk(field.type)
                if len(names) == before:
                    names.add(field.encode_name)

    walk(inspect.type_info(kind))
    return names


def test_every_field_is_on_the_page_and_no_other():
    """A field added or renamed without the page fails here."""
    limit = {field.name for field in msgspec.structs.fields(Limit)}
    known = field_names(Protocol) | field_names(BenchFile) | field_names(Specimen)
    known -= limit - {"measure", "stage", "least_strokes"}
    known |= {"pattern", "measure", "stage", "least_strokes", "good_percent"}
    known -= {"board", "audio", "limit", "margin", "calibration", "midi"}
    first_cells = re.findall(r"^\| (`[^|]*) \|", PAGE, flags=re.MULTILINE)
    told = {name for cell in first_cells for name in re.findall(r"`([a-z_0-9]+)`", cell)}
    assert known - told == set()
    assert told - known == set()
