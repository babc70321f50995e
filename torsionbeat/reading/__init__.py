"""From events to figures: swings, the reading, stability, comparison, findings."""
