"""Handlers of the page, one module for each part. Each reads the form, calls a job and shows the result. ``app`` joins them."""
