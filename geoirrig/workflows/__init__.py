"""One file per question that a user asks."""
