"""What the page answers: a module for each of its parts; thin: read the form, call a job, show. ``app`` joins them."""
