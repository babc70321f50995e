"""Learning from a clock's own trials: its response to adjustments, the conversion of notes to trials, and the model."""
