"""Help for those who write a table: try it on captured messages, or propose a first one from what was heard."""
