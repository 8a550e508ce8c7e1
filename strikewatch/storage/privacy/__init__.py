"""An operator's data: exported, and erased."""
