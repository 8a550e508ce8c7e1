"""The compiled step: one call takes a hammer's rows tile by tile and gives each tile to every detector."""
