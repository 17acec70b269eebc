"""What a process costs, as Linux tells in /proc."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import RailcrestError


@dataclass(frozen=True, slots=True)
class Cost:
    """A process at one moment."""

    cpu_s: float  # since it began, both in it and in the system for it
    rss_mb: float
    files: int  # open handles
    threads: int


def cost_of(pid: int) -> Cost:
    """Raises RailcrestError when the process is gone, or this is no Linux."""
    folder = Path("/proc") / str(pid)
    try:
        fields = (folder / "stat").read_text().rpartition(")")[2].split()
        ticks = int(fields[11]) + int(fields[12])
        pages = int((folder / "statm").read_text().split()[1])
        files = len(list((folder / "fd").iterdir()))
    except (OSError, IndexError, ValueError) as error:
        raise RailcrestError(f"process {pid}: cannot be looked at ({error}); it has ended") from error
    return Cost(
        ticks / os.sysconf("SC_CLK_TCK"), pages * os.sysconf("SC_PAGE_SIZE") / 1e6, files, int(fields[17])
    )
