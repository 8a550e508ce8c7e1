"""Refuses a measurement file whose lists of blocks are circles: asammdf would follow such a list for ever.

Layout of the blocks: asammdf's `v4_constants` and `v2_v3_constants`, which follow the ASAM standard.
"""

import mmap
import struct
from pathlib import Path
from typing import Final

from strikewatch.errors import InputError

_LINKS_3: Final = {b"HD": (0,), b"DG": (0, 1), b"CG": (0, 1), b"CN": (0,)}
_LINKS_4: Final = {
    b"##HD": (0, 1, 2, 3, 4),
    b"##DG": (0, 1, 2),
    b"##CG": (0, 1, 4),
    b"##CN": (0, 1, 5),
    b"##CH": (0, 1),
    **dict.fromkeys((b"##FH", b"##AT", b"##EV", b"##SR", b"##CA", b"##DL", b"##HL", b"##LD"), (0,)),
}
"""By kind of block: which of its links lead to the next of a list, or to the first of a list below it."""
_DATA: Final = (b"##DL", b"##HL", b"##LD")
_FIRST: Final = 64


def refuse_circles(path: Path) -> None:
    """Raise InputError if a block is reached twice from the header. Takes time linear in the number of blocks."""
    size = path.stat().st_size
    if size < _FIRST + 24:
        return  # too short for a header, as asammdf says
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        four = data[_FIRST : _FIRST + 4] == b"##HD"
        kinds, width, head, link = (_LINKS_4, 4, 24, "<Q") if four else (_LINKS_3, 2, 4, "<I")
        if not four and data[24:26] != b"\0\0":
            link = ">I"
        length = struct.calcsize(link)
        seen: set[int] = set()
        todo = [_FIRST]
        while todo:
            at = todo.pop()
            if at in seen:
                raise InputError(
                    f"{path}: not an MDF file that can be read (its block at byte {at:,} is linked twice, as in a "
                    "circle); copy it from the logger again"
                )
            seen.add(at)
            kind = data[at : at + width]
            for number in kinds[kind]:
                place = at + head + number * length
                if place + length > size:
                    break
                [to] = struct.unpack_from(link, data, place)
                if not 0 < to <= size - width or (below := data[to : to + width]) not in kinds:
                    continue
                if kind == b"##CN" and number == 5 and below not in _DATA:
                    continue  # the data of a channel may be a group, which its own list has
                todo.append(to)
