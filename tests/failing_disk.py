"""A disk that returns errors: a library, loaded before a process starts, whose writes and syncs fail while told to.

disk = FailingDisk(tmp_path)
monkeypatch.setenv("LD_PRELOAD", disk.library)   # for the processes started from here on
with disk.failing("strikewatch.db"): ...         # EIO for files with this in their path
"""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.programs import need_program

SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <sys/syscall.h>
#include <unistd.h>

static int fails(int fd) {
    char link[64], path[4096], part[256];
    int saved = errno;
    long size, list = syscall(SYS_openat, AT_FDCWD, CONTROL, O_RDONLY);
    if (list < 0) { errno = saved; return 0; }
    size = syscall(SYS_read, list, part, sizeof part - 1);
    syscall(SYS_close, list);
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    long length = readlink(link, path, sizeof path - 1);
    errno = saved;
    if (size <= 0 || length <= 0) return 0;
    part[size] = path[length] = 0;
    return strstr(path, part) != NULL;
}

#define WRAP(type, name, arguments, values) \
    type name arguments { \
        static type (*next) arguments; \
        if (!next) next = dlsym(RTLD_NEXT, #name); \
        if (fails(fd)) { errno = EIO; return -1; } \
        return next values; \
    }

WRAP(ssize_t, write, (int fd, const void *data, size_t n), (fd, data, n))
WRAP(ssize_t, pwrite, (int fd, const void *data, size_t n, off_t at), (fd, data, n, at))
WRAP(ssize_t, pwrite64, (int fd, const void *data, size_t n, off64_t at), (fd, data, n, at))
WRAP(int, fsync, (int fd), (fd))
WRAP(int, fdatasync, (int fd), (fd))
"""


class FailingDisk:
    """Compiles the library in `folder`."""

    def __init__(self, folder: Path) -> None:
        self._control = folder / "failing"
        self.library = str(folder / "failing.so")
        source = folder / "failing.c"
        source.write_text(f'#define CONTROL "{self._control}"\n{SOURCE}')
        command = [need_program("cc"), "-shared", "-fPIC", "-O1", "-o", self.library, str(source), "-ldl"]
        subprocess.run(command, check=True, capture_output=True)

    @contextmanager
    def failing(self, part: str) -> Iterator[None]:
        """Let writes and syncs of files with this in their path fail."""
        self._control.write_text(part)
        try:
            yield
        finally:
            self._control.unlink()
