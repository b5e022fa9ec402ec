"""The report of a run: one page that opens anywhere and asks nothing of the network."""
