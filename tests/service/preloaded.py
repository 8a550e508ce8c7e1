"""Import what a processor uses, and load the compiled detectors: for the server that processors are forked from."""

import strikewatch.cli.commands.live
import strikewatch.service.http
import strikewatch.service.run  # noqa: F401
import tests.service.forked  # noqa: F401
from strikewatch import numba_cache
from strikewatch.service.precompile import precompile

if numba_cache.ready():
    precompile(print)
