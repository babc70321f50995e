"""From figures to the next adjustment: correction, beat setting, strips, free swings, hand checks, waiting."""
