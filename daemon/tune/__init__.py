"""Tuning: the detectors over recorded batches with many settings, judged against what is known to be true."""
