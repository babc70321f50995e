"""Parts shared by the jobs: known values of a clock, sources of sound, running nights, a clock's data in the log."""
