"""The most even layout of a zone, and a proof of how even any other could be."""
