"""What the jobs share: a clock as it is known, where sound comes from, running nights, what the log holds of a clock."""
