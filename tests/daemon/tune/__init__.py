"""Tests of the tuning."""
