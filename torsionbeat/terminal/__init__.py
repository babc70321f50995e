"""What a person sees in a terminal, and the files that commands write."""
