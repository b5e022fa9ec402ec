"""Pictures of the results."""
