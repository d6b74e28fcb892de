"""Faults by code: what happened, likely cause, what to do; and the errors that carry them."""

from __future__ import annotations

import importlib.resources
from collections.abc import Mapping
from typing import Final

import msgspec

from rig.record.bench_fault import BenchError


class Fault(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One row of ``faults.toml``."""

    code: str
    text: str
    cause: str
    remedy: str


class _Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    fault: tuple[Fault, ...]


def _read() -> dict[str, Fault]:
    content = importlib.resources.files("rig").joinpath("faults.toml").read_bytes()
    return {fault.code: fault for fault in msgspec.toml.decode(content, type=_Table).fault}


FAULTS: Final[Mapping[str, Fault]] = _read()
"""All faults by code."""


class FaultError(BenchError):
    """A fault of the table that has happened.

    Parameters
    ----------
    code
        Code of ``faults.toml``.
    attempted
        What was being done, as the beginning of a sentence.
    found
        What exactly was found, with figures; may be empty.
    """

    def __init__(self, code: str, attempted: str, found: str = "") -> None:
        self.code = code
        self.fault = FAULTS[code]
        self.attempted = attempted
        self.found = found
        detail = f" ({found})" if found else ""
        super().__init__(
            f"{attempted}: {self.fault.text}{detail}.\n"
            f"Likely cause: {self.fault.cause}.\n"
            f"What to do: {self.fault.remedy}."
        )


class PortError(FaultError):
    """The port can't be opened."""


class LinkError(FaultError):
    """The board does not answer, the link broke, or host and board don't fit."""


class RefusedError(FaultError):
    """The board refused a request. ``code`` is ``refusal.NAME``."""


class TrippedError(FaultError):
    """The board tripped: its coils are off. ``code`` is ``trip.NAME``."""
