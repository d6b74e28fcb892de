"""The three files of a run."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

from rig.record.bench_fault import BadFileError
from rig.record.bench_file import BenchFile
from rig.record.loaders import find_file, parse_bench, parse_protocol, parse_specimen
from rig.record.protocol import Protocol
from rig.record.specimen import Specimen
from rig.record.toml_file import read_text


@dataclasses.dataclass(frozen=True, kw_only=True)
class RunFiles:
    """The three files of a run: as read, and their texts."""

    protocol: Protocol
    bench: BenchFile
    specimen: Specimen
    protocol_text: str
    bench_text: str
    specimen_text: str

    @classmethod
    def from_texts(cls, protocol: str, bench: str, specimen: str) -> RunFiles:
        """Parse the three texts.

        Raises
        ------
        BadFileError
            With the faults of the first that is at fault.
        """
        return cls(
            protocol=parse_protocol(protocol, "protocol"),
            bench=parse_bench(bench, "bench"),
            specimen=parse_specimen(specimen, "specimen"),
            protocol_text=protocol,
            bench_text=bench,
            specimen_text=specimen,
        )


def read_files(protocol: Path | str, bench: Path | str, specimen: Path | str) -> RunFiles:
    """Read the three files, each by path or by the name of one that comes with the program.

    Raises
    ------
    BadFileError
        With all faults of all three.
    """
    faults: list[str] = []
    texts: list[str] = []
    parsed: list[Any] = []
    for given, folder, parse in (
        (protocol, "", parse_protocol),
        (bench, "benches", parse_bench),
        (specimen, "specimens", parse_specimen),
    ):
        try:
            path = find_file(given, folder)
            texts.append(read_text(path))
            parsed.append(parse(texts[-1], str(path)))
        except BadFileError as error:
            faults += error.faults
    if faults:
        raise BadFileError(faults)
    return RunFiles(
        protocol=parsed[0],
        bench=parsed[1],
        specimen=parsed[2],
        protocol_text=texts[0],
        bench_text=texts[1],
        specimen_text=texts[2],
    )
