"""Samples and their time: saved recordings, live capture, timebase."""
