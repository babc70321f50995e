"""A simulated clock in a simulated room, for demonstration, teaching and tests."""
