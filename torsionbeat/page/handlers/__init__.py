"""What the page answers, one module for each of its parts; thin: read the form, call a job, show."""
