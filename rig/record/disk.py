"""Writes that are on the disk when they return."""

from __future__ import annotations

import os
from pathlib import Path

# without it, one system turns line ends into others
BINARY = getattr(os, "O_BINARY", 0)


def write_new(path: Path, content: bytes) -> None:
    """Make a file that must not exist yet, and bring it to the disk."""
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | BINARY, 0o644)
    try:
        write_all(file, content)
        os.fsync(file)
    finally:
        os.close(file)


def write_over(path: Path, content: bytes) -> None:
    """Write into the room that a file has on the disk already, and cut it to the content."""
    file = os.open(path, os.O_WRONLY | os.O_CREAT | BINARY, 0o644)
    try:
        write_all(file, content)
        os.ftruncate(file, len(content))
        os.fsync(file)
    finally:
        os.close(file)


def write_all(file: int, content: bytes) -> None:
    """Write all of it, however often the system takes only a part."""
    written = 0
    while written < len(content):
        written += os.write(file, memoryview(content)[written:])


def sync_folder(path: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    if os.name != "posix":
        return
    folder = os.open(path, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
