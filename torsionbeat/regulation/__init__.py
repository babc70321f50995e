"""From figures to the next adjustment: correction, trials, plan."""
