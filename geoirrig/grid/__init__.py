"""Where cells are."""
