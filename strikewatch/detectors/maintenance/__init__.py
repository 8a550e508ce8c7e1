"""Items that fall due by hours or days: inspection, service, walkaround inspection, storage."""
