"""From samples to events: onset strength, cadence, the sound of a beat, exact times."""
