"""Decompress a payload in bounded memory: gzip (RFC 1952), zlib (RFC 1950) and raw deflate (RFC 1951)."""

import zlib
from typing import Final, Literal

from strikewatch.errors import Rejected
from strikewatch.sources.decode.strict_json import MAX_BYTES

Compression = Literal["gzip", "zlib", "deflate"]

_WINDOW_BITS: Final[dict[Compression, int]] = {
    "gzip": 16 + zlib.MAX_WBITS,
    "zlib": zlib.MAX_WBITS,
    "deflate": -zlib.MAX_WBITS,
}
_PIECE_BYTES: Final = 1024 * 1024
MAX_MEMBERS: Final = 100
"""Maximum gzip members of one payload: for each, the library copies all that follows."""


def unpack(payload: bytes, compression: Compression, limit_bytes: int = MAX_BYTES) -> bytes:
    """Decompress a payload of one stream; gzip may have several members.

    Stops, without holding more, at the first piece beyond `limit_bytes`. Raises Rejected("bad_compression"), "empty"
    or "too_large".
    """
    if not payload:
        raise Rejected("empty", "payload: is empty")
    pieces: list[bytes] = []
    size = 0
    rest = payload
    for _ in range(MAX_MEMBERS):
        stream = zlib.decompressobj(_WINDOW_BITS[compression])
        while not stream.eof:
            try:
                piece = stream.decompress(rest, _PIECE_BYTES)
            except zlib.error as error:
                raise _invalid(compression, str(error)) from None
            rest = stream.unconsumed_tail
            size += len(piece)
            if size > limit_bytes:
                raise Rejected("too_large", f"payload: more than {limit_bytes} bytes once decompressed")
            if not piece and not rest and not stream.eof:
                raise _invalid(compression, "it is cut off")
            pieces.append(piece)
        rest = stream.unused_data
        if not rest:
            return b"".join(pieces)
        if compression != "gzip":
            raise _invalid(compression, f"{len(rest)} bytes after its end")
    raise Rejected("too_large", f"payload: more than {MAX_MEMBERS} gzip members")


def _invalid(compression: Compression, problem: str) -> Rejected:
    return Rejected("bad_compression", f"payload: not {compression}: {problem[:160]}")
