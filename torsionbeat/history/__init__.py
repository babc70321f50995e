"""Several nights of one clock: comparison, stability, findings."""
