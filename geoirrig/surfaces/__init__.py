"""Physics laid on the grid."""
