"""Benchmark of verdicts: seeded batches with known truth, and the score of whoever judges them.

Run `python -m tests.verdicts --set tuning` while working on detectors. The set `unseen` (seeds from 1,000,000 on)
is for the final table only: whoever tunes never looks at a batch of it.
"""
