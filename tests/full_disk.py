"""A full disk: the kernel's limit on file size stands for it, cutting a write short, then refusing."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import pytest


@contextlib.contextmanager
def largest_file(size_bytes: int) -> Iterator[None]:
    """Let no file grow beyond a size."""
    resource = pytest.importorskip("resource", reason="no limit on file size on this system")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
