"""torsionbeat listens to a torsion-pendulum clock and finds its rate, its beat and its arc."""

from __future__ import annotations

__version__ = "0.1.0"
