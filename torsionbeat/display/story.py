"""The story moved to ``torsionbeat.jobs.report``, which gathers it; these names stay until their users have moved."""

from torsionbeat.jobs.report import ClockStory, gather

__all__ = ["ClockStory", "gather"]
