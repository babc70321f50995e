"""Formulas of the trade: pure functions of numbers and arrays, each with its source."""
