"""Measurements that print figures; none of them is a timed test."""
