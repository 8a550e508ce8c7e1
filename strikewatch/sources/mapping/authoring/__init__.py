"""Help for those who write a table: try it on captured messages, propose a first one, and what a broker must allow."""
