"""Output of the commands: texts on a terminal, and the files they write."""
