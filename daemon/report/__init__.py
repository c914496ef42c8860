"""The report of a replay: one file that opens anywhere, with every verdict and what led to it."""
