"""Figures, terminal tables and reports."""
