"""Logger files → rows by hammer, by the tables of `sources.toml` that map live sources too.

`LogSet(source, folder).open(path)` opens a file; `LogFile.rows()` yields its rows in parts, so that memory stays
bounded.

delimited.py, excel.py, heading.py  tables               log_file.py  files of one log → rows
candump.py, can_files.py, frames.py CAN frames           mapper.py    records → rows and events
dbc.py, can_signals.py              frames → signals     channels.py  columns → values of channels
mdf.py                              measurement files    clock.py     times → instants
reader.py                           the base of readers  records.py   what a log gives: columns of records
"""

from strikewatch.sources.logs.log_file import LogFile, LogSet
from strikewatch.sources.logs.records import Account

__all__ = ["Account", "LogFile", "LogSet"]
