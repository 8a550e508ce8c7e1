"""Logger files → rows by hammer, by the tables of `sources.toml` that map live sources too.

`LogSet(source, folder).open(path)` opens a file; `LogFile.rows()` yields its rows in parts, so that memory stays
bounded.

log_file.py  files of one log → rows              reader.py    the base of readers; CAN frames
tables.py    CSV and Excel tables                  candump.py, can_files.py  CAN logs → frames
mdf.py       measurement files                     dbc.py, can_signals.py    frames → signals
records.py   what a log gives: columns of records  mapper.py    records → rows and events
channels.py  columns → values of channels          clock.py     times → instants
"""

from strikewatch.sources.logs.log_file import LogFile, LogSet
from strikewatch.sources.logs.records import Account

__all__ = ["Account", "LogFile", "LogSet"]
