"""What a process of this machine uses, from Linux's `/proc`."""

import os
from pathlib import Path

MIB = 1024 * 1024
TICKS_S = os.sysconf("SC_CLK_TCK")


def resident_mib(pid: int, *, peak: bool = False) -> float:
    """Resident memory now, or the highest since `forget_peak`; 0 where there is no such process."""
    name = "VmHWM:" if peak else "VmRSS:"
    for line in _read(pid, "status").splitlines():
        if line.startswith(name):
            return int(line.split()[1]) * 1024 / MIB
    return 0.0


def forget_peak(pid: int) -> None:
    """Begin anew with the highest (proc(5), clear_refs: 5)."""
    Path(f"/proc/{pid}/clear_refs").write_text("5")


def cpu_s(pid: int) -> float:
    """Processor time of all its threads so far, s; 0 where there is no such process."""
    fields = _read(pid, "stat").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS_S if fields else 0.0


def _read(pid: int, name: str) -> str:
    try:
        return Path(f"/proc/{pid}/{name}").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return ""
